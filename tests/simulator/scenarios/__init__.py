"""Tests of ``simulator/scenarios``."""
