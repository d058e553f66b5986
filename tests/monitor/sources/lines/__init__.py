"""Tests of ``monitor/sources/lines``."""
