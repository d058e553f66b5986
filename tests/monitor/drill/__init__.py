"""Tests of ``monitor/guard``."""
