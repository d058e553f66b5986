"""Sequential tests: their error rates by simulation, their capital by quadrature, their bounds."""

from functools import cache
from math import exp, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import beta

from simulator.proof.betting import (
    against_rate_at_least,
    against_rate_at_most,
    against_share_at_least,
    against_share_at_most,
    rate_bounds,
    share_bounds,
)
from simulator.proof.proportions import clopper_pearson, poisson

LIMIT = log(20.0)  # 95 %
SHARE = 0.9
SEQUENCES = 2000


@pytest.mark.parametrize(("passed", "runs"), [(0, 3), (40, 40), (37, 40), (300, 340)])
def test_capital_of_a_bet_on_shares(passed: int, runs: int) -> None:
    """It is the mean, over Beta(1, 1/2) cut off at the claim, of what each single bet is worth."""
    prior = beta(1.0, 0.5)

    def worth(p: float) -> float:
        return float((p / SHARE) ** passed * ((1 - p) / (1 - SHARE)) ** (runs - passed))

    below = quad(lambda p: worth(p) * prior.pdf(p), 0.0, SHARE)[0] / prior.cdf(SHARE)
    # p = 1 - u * u takes out the prior's pole at 1.
    above = quad(
        lambda u: worth(1 - u * u) * prior.pdf(1 - u * u) * 2 * u, 1e-9, (1 - SHARE) ** 0.5
    )[0] / prior.sf(SHARE)
    assert exp(against_share_at_least(passed, runs, SHARE)) == pytest.approx(below, rel=1e-5)
    assert exp(against_share_at_most(passed, runs, SHARE)) == pytest.approx(above, rel=1e-5)


@pytest.mark.parametrize(("count", "hours"), [(0, 5.0), (0, 400.0), (3, 120.0), (20, 700.0)])
def test_capital_of_a_bet_on_rates(count: int, hours: float) -> None:
    """Likewise for rates: as r**-1/2 below the claim, as r**-3/2 beyond it."""
    rate = 0.01

    def worth(r: float) -> float:
        return float((r / rate) ** count * exp((rate - r) * hours))

    # r = u * u and r = 1 / (u * u) take out the poles.
    below = quad(lambda u: worth(u * u) / rate**0.5, 1e-12, rate**0.5)[0]
    above = quad(lambda u: worth(u**-2) * rate**0.5, 0.01, rate**-0.5)[0]
    assert exp(against_rate_at_least(count, hours, rate)) == pytest.approx(below, rel=1e-5)
    assert exp(against_rate_at_most(count, hours, rate)) == pytest.approx(above, rel=1e-5)


def test_no_runs_no_capital() -> None:
    """Nothing was bet, nothing is won."""
    for bet in (against_share_at_most, against_share_at_least):
        assert bet(0, 0, SHARE) == pytest.approx(0.0, abs=1e-12)
    for rate_bet in (against_rate_at_most, against_rate_at_least):
        assert rate_bet(0, 0.0, 0.01) == pytest.approx(0.0, abs=1e-12)


def test_error_rates_of_shares_by_simulation() -> None:
    """At the claim itself, looked at after each of 600 runs, either error is rarer than 5 %.

    Of 2000 sequences so few are ever passed, or failed, falsely; by Ville's inequality at most
    100 would be, on average, however long they went on.
    """
    rng = np.random.default_rng(7)
    passes, fails = cache(against_share_at_most), cache(against_share_at_least)
    wrongly_passed = wrongly_failed = 0
    for draws in rng.random((SEQUENCES, 600)) < SHARE:
        counts = np.cumsum(draws).tolist()
        at = list(enumerate(counts, 1))[3::4]
        wrongly_passed += any(passes(k, n, SHARE) >= LIMIT for n, k in at)
        wrongly_failed += any(fails(k, n, SHARE) >= LIMIT for n, k in at)
    assert 20 < wrongly_passed <= 100
    assert 20 < wrongly_failed <= 100


def test_error_rates_of_rates_by_simulation() -> None:
    """At the claim itself, looked at after each of 200 stretches of time, likewise."""
    rng = np.random.default_rng(8)
    rate, stretch = 0.01, 10.0
    seldom, often = cache(against_rate_at_least), cache(against_rate_at_most)
    wrongly_passed = wrongly_failed = 0
    for events in rng.poisson(rate * stretch, (SEQUENCES, 200)):
        at = [(k, n * stretch) for n, k in enumerate(np.cumsum(events).tolist(), 1)]
        wrongly_passed += any(seldom(k, t, rate) >= LIMIT for k, t in at)
        wrongly_failed += any(often(k, t, rate) >= LIMIT for k, t in at)
    assert 20 < wrongly_passed <= 100
    assert 20 < wrongly_failed <= 100


def test_runs_it_takes() -> None:
    """Without a failure 99 % at 95 % takes 377 runs; the fixed-size test takes 299."""
    assert against_share_at_most(376, 376, 0.99) < LIMIT <= against_share_at_most(377, 377, 0.99)
    assert against_share_at_least(0, 1, 0.99) >= LIMIT


@given(st.integers(1, 400), st.floats(0.0, 1.0), st.sampled_from((0.8, 0.95, 0.99)))
def test_bounds_of_a_share_say_what_the_tests_say(runs: int, part: float, sure: float) -> None:
    """A share is passed where the lower bound reaches it, failed where the upper one doesn't."""
    passed = round(part * runs)
    low, high = share_bounds(passed, runs, sure)
    limit = -log(1.0 - sure)
    assert 0.0 <= low <= passed / runs <= high <= 1.0
    for share in (0.5, 0.9, 0.99):
        if abs(share - low) > 1e-6:
            assert (low > share) == (against_share_at_most(passed, runs, share) >= limit)
        if abs(share - high) > 1e-6:
            assert (high < share) == (against_share_at_least(passed, runs, share) >= limit)


def test_bounds_are_wider_than_exact_ones_of_a_fixed_size() -> None:
    """What may be stopped at any time claims less than a test whose size was fixed before."""
    low, high = share_bounds(95, 100, 0.975)
    exact = clopper_pearson(95, 100)
    assert low < exact.low
    assert exact.high < high
    least, most = rate_bounds(3, 100.0, 0.975)
    assert 0.0 < least < poisson(3).low / 100.0
    assert poisson(3).high / 100.0 < most < 0.2
    assert rate_bounds(0, 100.0, 0.95)[0] == 0.0
