"""Tests of ``monitor/recorder``."""
