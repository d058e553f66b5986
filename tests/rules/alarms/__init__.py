"""Tests of ``rules/alarms``."""
