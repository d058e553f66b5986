"""Tests of ``monitor``."""
