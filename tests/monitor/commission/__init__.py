"""Tests of ``monitor/commission``."""
