"""Tests of runs that are compared."""
