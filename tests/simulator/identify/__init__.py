"""Tests of the room that tells a car's numbers from its healthy logs."""
