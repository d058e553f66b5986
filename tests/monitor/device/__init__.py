"""Tests of ``monitor/device``."""
