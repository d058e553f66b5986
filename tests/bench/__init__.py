"""Benchmarks: ``python -m tests.bench`` prints what design bars are measured by, as ratios."""
