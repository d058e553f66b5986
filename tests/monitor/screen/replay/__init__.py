"""Tests of ``monitor/screen/replay``."""
