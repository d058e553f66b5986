"""Tests of ``simulator/rig``."""
