"""Tests of ``simulator/strict``."""
