"""Running averages: bounded memory, and a fault that doesn't become the new normal."""

from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.causes.averages import Average, Level

NUMBERS = st.floats(-1e6, 1e6)


@given(NUMBERS, st.floats(0.001, 1.0), st.lists(NUMBERS, min_size=1, max_size=20))
def test_an_average_is_a_first_order_lag(start: float, dt_s: float, values: list[float]) -> None:
    """It starts at its first value and then follows as a first-order lag of 0.5 s does."""
    average = Average(0.5)
    expected = average.take(start, dt_s)
    assert expected == start
    for value in values:
        expected += (value - expected) * (1.0 - exp(-dt_s / 0.5))
        assert average.take(value, dt_s) == pytest.approx(expected, abs=1e-6)


@given(st.lists(st.tuples(NUMBERS, st.floats(0.0, 8.0)), min_size=1))
def test_a_level_stays_among_what_was_seen(seen: list[tuple[float, float]]) -> None:
    """A mean lies between the extremes (nil, where it begins, among them)."""
    level = Level()
    for value, dt_s in seen:
        level.learn(value, dt_s)
    assert min(0.0, *(x for x, _ in seen)) - 1e-6 <= level.mean
    assert level.mean <= max(0.0, *(x for x, _ in seen)) + 1e-6


def test_a_level_hardly_learns_from_what_is_far_off() -> None:
    """Known after a quarter second; a second of a fault moves it by less than a twentieth."""
    level = Level()
    for _ in range(30):
        assert level.known == (level.seen_s >= 0.25)
        level.learn(100.0, 0.01, near=10.0)
    for _ in range(400):
        level.learn(100.0, 0.01, near=10.0)
    for _ in range(100):
        level.learn(200.0, 0.01, near=10.0)
    assert level.known
    assert 100.0 < level.mean < 105.0
