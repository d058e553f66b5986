"""Tests of ``monitor/sources``."""
