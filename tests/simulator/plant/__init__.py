"""Tests of ``simulator/plant``."""
