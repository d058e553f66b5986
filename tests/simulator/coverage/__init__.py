"""Tests of ``simulator/coverage``."""
