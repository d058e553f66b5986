"""Tests, and the benchmarks in ``tests.bench``."""
