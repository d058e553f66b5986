"""Tests of ``monitor/pictures``."""
