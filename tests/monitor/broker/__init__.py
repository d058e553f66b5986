"""Tests of ``monitor/broker``."""
