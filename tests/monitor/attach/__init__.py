"""Tests of ``monitor/attach``."""
