"""Tests of ``simulator/planning``."""
