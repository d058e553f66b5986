"""Drills: a fault that nobody names, a trainee who has to see it, and what came of it."""
