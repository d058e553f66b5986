"""Tests of the simulator's drill room."""
