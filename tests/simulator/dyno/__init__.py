"""Tests of ``simulator/dyno``."""
