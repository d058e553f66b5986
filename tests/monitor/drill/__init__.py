"""Tests of ``monitor/drill``."""
