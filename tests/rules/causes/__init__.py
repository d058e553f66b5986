"""Tests of ``rules/causes``."""
