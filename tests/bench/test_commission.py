"""A small part of the bench of known cars, seeded: as near as the whole of it shows."""

import numpy as np

from tests.bench.commission import NEAR, Cell, run

CARS = 12


def test_ten_pulls_tell_delay_lag_and_gain() -> None:
    """Of twelve cars at 50 rows a second all are near, and nine in ten intervals hold the truth."""
    found = [run((Cell(10, 50.0, 0.0), seed)) for seed in range(CARS)]
    for one in found:
        assert all(abs(one.off[i]) <= near for i, near in enumerate(NEAR))
    held = [held for one in found for held in one.held if held is not None]
    assert len(held) == 4 * CARS
    assert np.mean(held) > 0.75


def test_slow_rows_tell_no_interval_of_delay_and_lag() -> None:
    """At 10 rows a second a sensor that holds its readings as long can't be seen."""
    assert all(run((Cell(3, 10.0, 10.0), seed)).held[:2] == (None, None) for seed in range(3))


def test_one_pull_of_slow_rows_tells_no_interval_of_the_gain() -> None:
    """Its intervals held the truth too seldom."""
    assert run((Cell(1, 20.0, 0.0), 1)).held[2] is None
    assert run((Cell(3, 20.0, 0.0), 1)).held[2] is not None
