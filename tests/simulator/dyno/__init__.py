"""Tests of torque and power out of runs."""
