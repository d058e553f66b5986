"""Tests of ``monitor/sources/logs``."""
