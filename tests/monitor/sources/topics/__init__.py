"""Tests of ``monitor/sources/topics``."""
