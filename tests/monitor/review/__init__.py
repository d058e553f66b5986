"""Tests of ``monitor/review``."""
