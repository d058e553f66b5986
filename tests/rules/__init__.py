"""Tests of ``rules``."""
