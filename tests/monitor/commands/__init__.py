"""Tests of ``monitor/commands``."""
