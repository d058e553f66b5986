"""Tests of ``monitor/words``."""
