"""Gains and their intervals, held to published figures and to what chance really does."""

from math import inf, isnan, nan, sqrt

import numpy as np
import pytest

from simulator.dyno.gain import further_run, gain, mean_over

# Hours of sleep gained under two drugs: Student, Biometrika 6 (1908), as R's t.test has it.
FIRST = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
SECOND = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)


def test_students_own_data_come_to_their_published_interval() -> None:
    """R's documentation: 95 % from -3.3654832 to 0.2054832, the first less the second."""
    found = gain(FIRST, SECOND)
    assert found.value == pytest.approx(1.58)
    assert (found.low, found.high) == pytest.approx((-0.2054832, 3.3654832), abs=1e-6)


def test_runs_that_lack_a_value_are_passed_over() -> None:
    """A run that doesn't reach an engine speed has none there."""
    assert gain((*FIRST, nan), (nan, *SECOND)) == gain(FIRST, SECOND)
    assert isnan(gain((nan,), SECOND).value)


@pytest.mark.parametrize(("before", "after"), [((1.0,), (2.0, 3.0)), ((1.0, 1.0), (2.0, 3.0))])
def test_where_nothing_scatters_no_interval_is_claimed(
    before: tuple[float, ...], after: tuple[float, ...]
) -> None:
    """A single run, or copies of one, tell a difference and not how sure it is."""
    found = gain(before, after)
    assert found.value == 1.5
    assert isnan(found.low)
    assert isnan(found.high)


@pytest.mark.parametrize("runs", [(2, 2), (3, 3), (3, 6)])
def test_intervals_hold_as_often_as_they_say(runs: tuple[int, int]) -> None:
    """Of 2000 comparisons 95 % hold the truth, whether or not both groups scatter alike."""
    draw = np.random.default_rng(5)
    for wider in (1.0, 3.0):
        held = 0
        for _ in range(1000):
            one = gain(draw.normal(100.0, 1.0, runs[0]), draw.normal(104.0, wider, runs[1]))
            held += one.low <= 4.0 <= one.high
        # Welch's form is known to be a little off for few runs: not below 93 %.
        assert held >= 930


def test_a_further_run_lies_within_the_band() -> None:
    """Student's prediction interval: of four runs 3.182 s sqrt(1.25), and it holds in 95 %."""
    runs = np.array([[1.0, nan], [2.0, nan], [3.0, 5.0], [6.0, nan]])
    band = further_run(runs)
    spread = float(np.std(runs[:, 0], ddof=1))
    assert band[0] == pytest.approx(3.1824463 * spread * sqrt(1.25), rel=1e-6)
    assert isnan(band[1])
    draw = np.random.default_rng(6)
    many = draw.normal(0.0, 1.0, (4, 4000))
    within = abs(draw.normal(0.0, 1.0, 4000) - many.mean(axis=0)) <= further_run(many)
    assert 0.935 < float(within.mean()) < 0.965


def test_a_mean_is_the_area_over_the_span() -> None:
    """A straight line's mean is its middle; a curve with a hole has none."""
    at = np.array([3000.0, 3500.0, 5000.0])
    assert mean_over(at, 2.0 * at) == pytest.approx(8000.0)
    assert isnan(mean_over(at, np.array([1.0, nan, 2.0])))
    assert isnan(mean_over(at, np.array([1.0, inf, 2.0])))
