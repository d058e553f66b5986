"""Drills: rides of trainees, what each may see of them, the class they are in, and its results."""
