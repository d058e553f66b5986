"""Tests of ``monitor/proof``."""
