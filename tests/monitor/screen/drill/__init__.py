"""Tests of ``monitor/screen/drill``."""
