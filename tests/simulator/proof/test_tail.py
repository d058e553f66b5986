"""Rates told by extrapolation: held to published run lengths, to brute force, and to refusals."""

from math import exp
from typing import Any

import numpy as np
import pytest

from simulator.proof.tail import LEAST_EXCEEDANCES, extrapolated
from tests.kit.entries import next_account

HOUR_S = 3600.0
# In-control average run lengths of the two-sided CUSUM with k = 0.5 (Montgomery, Introduction to
# Statistical Quality Control, the chapter on CUSUM, after Hawkins, J. Qual. Technol. 25, 1993; from
# memory), and by Siegmund's approximation, Sequential Analysis (1985), for one side.
TWO_SIDED = {4.0: 168.0, 5.0: 465.0}


def siegmund(h: float) -> float:
    """Return the one-sided run length without a shift, k = 0.5, to a few per cent."""
    b = h + 1.166
    return 2.0 * (exp(b) - b - 1.0)


def cusum_peaks(steps: int, seed: int) -> list[float]:
    """Return a healthy CUSUM's peaks, from nil to nil, by the decision code's own recursion."""
    account, peaks = 0.0, [0.0]
    for excess in np.random.default_rng(seed).normal(-0.5, 1.0, steps).tolist():
        before, account = account, next_account(account, excess)
        if before == 0.0 and account > 0.0:
            peaks.append(account)
        peaks[-1] = max(peaks[-1], account)
    return peaks


def drives(peaks: list[float], steps: int, n: int = 20) -> tuple[list[Any], list[float]]:
    """Deal the peaks of so many steps out to drives; an hour is a step."""
    return [np.array(peaks[i::n]) for i in range(n)], [HOUR_S * steps / n] * n


def test_published_run_lengths_are_counted_and_told() -> None:
    """Of 200,000 healthy steps one in 336, and in 930, passes 4 and 5; a twentieth tells so."""
    steps = 200_000
    peaks = np.array(cusum_peaks(steps, 20))
    few = cusum_peaks(steps // 20, 21)
    for h, both_sides in TWO_SIDED.items():
        one_side = 2.0 * both_sides
        count = int((peaks >= h).sum())
        assert count == pytest.approx(steps / one_side, abs=3.0 * np.sqrt(steps / one_side))
        told = extrapolated(*drives(few, steps // 20), h, 0.99)
        assert told.refused == ""
        assert told.low_per_h < 1.0 / one_side < told.high_per_h
        assert told.high_per_h < 3.0 / one_side
    far = extrapolated(*drives(few, steps // 20), 8.0, 0.99)
    assert far.low_per_h < 1.0 / siegmund(8.0) < far.high_per_h
    assert far.high_per_h < 30.0 / siegmund(8.0)
    assert far.scale_nats == pytest.approx(1.0, abs=0.15)
    assert far.exceedances > 10 * LEAST_EXCEEDANCES


def world(seed: int, cars_differ: bool, n: int = 60) -> tuple[list[Any], list[float]]:
    """Return drives of an hour with exponential peaks, of one scale or of each car's own."""
    rng = np.random.default_rng(seed)
    scale = 1.0 / rng.gamma(6.0, 1.0 / 6.0, n) if cars_differ else np.ones(n)
    return [rng.exponential(s, rng.poisson(40.0)) for s in scale], [HOUR_S] * n


@pytest.mark.parametrize("cars_differ", [False, True])
def test_intervals_hold_as_often_as_they_say(cars_differ: bool) -> None:
    """Told for ten nats, by bounds of 95 % each, in sixty worlds whose truth is known."""
    most = 0.16 * 60  # a shape below nil is never believed; bad cars may not have been drawn
    # The mean of exp(-10 g) over gamma(6, 1/6) is (1 + 10/6)^-6.
    truth = 40.0 * ((1.0 + 10.0 / 6.0) ** -6.0 if cars_differ else np.exp(-10.0))
    told = [extrapolated(*world(seed, cars_differ), 10.0, 0.95) for seed in range(60)]
    told = [one for one in told if not one.refused]
    assert len(told) > 50
    assert sum(one.high_per_h < truth for one in told) <= most
    assert sum(one.low_per_h > truth for one in told) <= most


def test_a_rate_that_is_not_to_be_told_is_refused() -> None:
    """Few peaks, peaks of few cars, a pile of equal ones, a limit that is reached anyway."""
    rng = np.random.default_rng(3)
    one_h = [HOUR_S] * 50
    few = extrapolated([rng.exponential(1.0, 1)] * 30, one_h[:30], 10.0, 0.95)
    assert few.refused == "found 30 peaks of evidence above 1.5, expected more than 40"
    assert few.high_per_h == np.inf
    assert np.isnan(few.rate_per_h)
    assert extrapolated([], [], 10.0, 0.95).refused.startswith("found 0 peaks")
    bad_cars = [rng.exponential(3.0 if i < 3 else 0.5, 60) for i in range(50)]
    assert "drives" in extrapolated(bad_cars, one_h, 12.0, 0.95).refused
    piled = [np.minimum(rng.exponential(3.0, 60), 8.6) for _ in range(50)]
    assert "follow no law" in extrapolated(piled, one_h, 16.0, 0.95).refused
    often = extrapolated([rng.exponential(3.0, 60) for _ in range(50)], one_h, 2.0, 0.95)
    assert "counted" in often.refused
