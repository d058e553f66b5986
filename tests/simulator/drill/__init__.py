"""Tests of ``simulator/drill``."""
