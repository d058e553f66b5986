"""Tests of ``monitor/screen``."""
