"""Tests of ``monitor/send``."""
