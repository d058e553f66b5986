"""Hostile acts against a running guard: what is lost, what is released and when, what is said."""
