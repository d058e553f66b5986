"""Tests of ``simulator``."""
