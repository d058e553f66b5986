"""Tests of ``monitor/web``."""
