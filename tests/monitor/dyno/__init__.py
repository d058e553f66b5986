"""Tests of ``monitor/dyno``."""
