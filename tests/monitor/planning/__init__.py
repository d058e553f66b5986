"""Tests of ``monitor/planning``."""
