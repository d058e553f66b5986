"""Tests of ``simulator/trend``."""
