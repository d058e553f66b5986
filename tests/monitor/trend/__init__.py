"""Tests of ``monitor/trend``."""
