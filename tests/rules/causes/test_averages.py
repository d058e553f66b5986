"""Running averages: bounded memory, and a fault that doesn't become the new normal."""

from math import exp, fsum, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.causes.averages import Average, Level

NUMBERS = st.floats(-1e6, 1e6)


@given(st.floats(0.001, 1.0), st.lists(NUMBERS, min_size=1, max_size=20))
def test_an_average_forgets_as_a_first_order_lag_does(dt_s: float, values: list[float]) -> None:
    """A value's weight falls to 1/e in 0.5 s; nothing stands for what came before the first."""
    average = Average(0.5)
    for n, value in enumerate(values, start=1):
        weights = [exp(-dt_s * age / 0.5) for age in reversed(range(n))]
        weighed = fsum(w * x for w, x in zip(weights, values, strict=False))
        assert average.take(value, dt_s) == pytest.approx(weighed / fsum(weights), abs=1e-6)


def test_an_average_is_not_led_by_its_first_value() -> None:
    """One value far off, then 0.2 s of others: a mean of all 21 at first, where a lag keeps 1/e."""
    average = Average(0.2)
    average.take(1.0, 0.01)
    for _ in range(20):
        average.take(0.0, 0.01)
    assert average.value == pytest.approx(0.05 * exp(-1.0) / (1.0 - exp(-1.05)), rel=0.05)
    average.value = nan  # begun anew
    assert average.take(3.0, 0.0) == 3.0
    assert average.take(5.0, 0.0) == 3.0  # no time has passed


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
