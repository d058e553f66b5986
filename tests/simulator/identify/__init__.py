"""Tests of ``simulator/identify``."""
