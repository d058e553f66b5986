"""Tests of ``simulator/proof``."""
