"""Tests of ``rules/step``."""
