"""The sequential test: published run lengths, and deviates that are what they are taken for."""

from typing import Any

import numpy as np
import pytest
from scipy import stats

from simulator.trend.cusum import (
    CLIP,
    KEPT,
    LEAST_BEFORE,
    limit_for,
    run_length,
    run_length_cached,
    scores,
    sums,
    sureness,
)

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
# Montgomery, Introduction to Statistical Quality Control, Table 9.3: two-sided, k = 0.5.
TWO_SIDED = {
    4.0: (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
    5.0: (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01),
}
# One-sided, k = 0.5, by the integral equation of Goel & Wu, Technometrics 13 (1971).
ONE_SIDED = {
    4.0: (335.3676, 77.0785, 26.6792, 13.2866, 8.3832, 4.7472, 3.3428, 2.6195, 2.1945, 1.7085),
    5.0: (930.887, 141.6877, 38.0096, 17.0485, 10.376, 5.7472, 4.0089, 3.1137, 2.5733, 2.0126),
}
# Limits for a wanted one-sided run length in control, k = 0.5, by the same equation.
LIMITS = {370: 4.09545, 500: 4.38913, 1000: 5.0707, 10000: 7.36079, 36000: 8.64041, 100000: 9.6617}
# Hawkins (J. Qual. Technol. 25, 1993): k and h of two-sided run length 370, in Montgomery's
# Table 9.4 to two decimals.
PAIRS = ((0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1.0, 2.52), (1.25, 1.99))


def two_sided(limit: float, shift: float, allowance: float = 0.5) -> float:
    """Return the run length of both sums together: their rates add up."""
    up, down = (run_length(limit, sign * shift, allowance) for sign in (1.0, -1.0))
    return 1.0 / (1.0 / up + 1.0 / down)


@pytest.mark.parametrize("limit", TWO_SIDED)
def test_run_lengths_are_those_in_print(limit: float) -> None:
    """To the last digit of the table, but one that is printed as 139 and is 139.49."""
    for shift, printed in zip(SHIFTS, TWO_SIDED[limit], strict=True):
        digit = 10.0 ** -len(f"{printed}".partition(".")[2])
        assert two_sided(limit, shift) == pytest.approx(printed, abs=digit)


@pytest.mark.parametrize("limit", ONE_SIDED)
def test_one_sided_run_lengths_are_those_of_the_integral_equation(limit: float) -> None:
    """Two chains of cells come near what infinitely many would give."""
    for shift, exact in zip(SHIFTS, ONE_SIDED[limit], strict=True):
        assert run_length(limit, shift) == pytest.approx(exact, rel=1e-4)


@pytest.mark.parametrize(("allowance", "limit"), PAIRS)
def test_pairs_of_allowance_and_limit_are_hawkins(allowance: float, limit: float) -> None:
    """Each gives a run length of 370 in control, both sides together."""
    near = [two_sided(limit + off, 0.0, allowance) for off in (-0.006, 0.006)]
    assert near[0] < 370.4 < near[1]


@pytest.mark.parametrize("length", LIMITS)
def test_a_wanted_run_length_has_its_limit(length: int) -> None:
    """Clipped deviates only come to it later."""
    assert run_length(LIMITS[length]) == pytest.approx(length, rel=2e-4)
    assert LIMITS[length] - 0.11 < limit_for(length) < LIMITS[length] + 1e-3


def test_the_limit_is_the_inverse_of_the_run_length() -> None:
    """Of sums as they are counted here."""
    assert run_length_cached(limit_for(2600.0)) == pytest.approx(2600.0, rel=1e-3)


def together(rng: np.random.Generator, kept: Any, shape: tuple[int, int]) -> Any:
    """Return standard normal values of which the next one in its row keeps a share."""
    values = rng.normal(size=shape)
    for i in range(1, shape[1]):
        values[:, i] = kept * values[:, i - 1] + np.sqrt(1.0 - kept * kept) * values[:, i]
    return values


def test_deviates_of_healthy_sessions_are_standard_normal_and_independent() -> None:
    """From the fifth session on, whatever mean, scatter and correlation that nobody knows."""
    rng = np.random.default_rng(5)
    seasons = 0.93 + 0.02 * together(rng, rng.choice(KEPT, 1500), (1500, 14))
    found = np.array([scores(x) for x in seasons])
    assert np.isnan(found[:, :LEAST_BEFORE]).all()
    for column in found[:, LEAST_BEFORE:].T:
        inside = column[np.abs(column) < CLIP]
        assert stats.kstest(inside, "norm").pvalue > 1e-4
    matrix = np.corrcoef(found[:, LEAST_BEFORE:], rowvar=False)
    assert np.abs(matrix - np.eye(len(matrix))).max() < 5.0 / 1500**0.5


def test_a_deviate_is_students_weighed_by_the_restricted_likelihood() -> None:
    """As covariances written out have it (Patterson & Thompson, Biometrika 58, 1971)."""
    before, new = np.array([1.0, 1.4, 0.8, 1.1, 1.2]), 1.5
    n, ones = len(before), np.ones(len(before))
    shares, below = [], []
    for kept in KEPT:
        apart = np.abs(np.subtract.outer(np.arange(n + 1), np.arange(n + 1)))
        covariance = kept**apart
        inverse = np.linalg.inv(covariance[:n, :n])
        precision = ones @ inverse @ ones
        mean = ones @ inverse @ before / precision
        squares = (before - mean) @ inverse @ (before - mean)
        scale = np.linalg.det(covariance[:n, :n]) * precision * squares ** (n - 1)
        shares.append(scale**-0.5)
        to_new = inverse @ covariance[:n, n]
        doubt = 1.0 - covariance[n, :n] @ to_new + (1.0 - ones @ to_new) ** 2 / precision
        off = new - mean - to_new @ (before - mean)
        below.append(stats.t.cdf(off / (squares / (n - 1) * doubt) ** 0.5, n - 1))
    expected = stats.norm.ppf(np.average(below, weights=shares))
    assert scores(np.append(before, new))[-1] == pytest.approx(expected)
    assert scores(-np.append(before, new))[-1] == pytest.approx(-expected)


def test_one_odd_session_counts_for_no_more_than_its_clip() -> None:
    """And is learned from as if it lay there: what follows is as usual again."""
    rng = np.random.default_rng(2)
    x = rng.normal(1.0, 0.01, 30)
    x[15] = 0.2
    found = scores(x)
    assert found[15] == -CLIP
    assert np.abs(found[16:]).max() < CLIP
    assert sums(found, -1.0).max() < limit_for(2600.0)


def test_sessions_that_tell_nothing_change_nothing() -> None:
    """They are passed over."""
    x = np.array([1.0, 1.2, 0.9, 1.1, 1.0, 1.3])
    gaps = np.insert(x, [1, 3, 6], np.nan)
    assert scores(gaps)[np.isfinite(gaps)] == pytest.approx(scores(x), nan_ok=True)


def test_a_least_scatter_makes_small_steps_nothing() -> None:
    """However little the sessions themselves scatter."""
    x = np.append(1.0 + 1e-4 * np.sin(np.arange(10.0)), np.full(10, 0.999))
    assert sums(scores(x), -1.0).max() > 8.0
    assert sums(scores(x, 0.01), -1.0).max() < 0.5


def test_sureness_follows_the_run_length() -> None:
    """It is how seldom so many healthy sessions would come so high."""
    rng = np.random.default_rng(8)
    peak = 4.0
    sessions = 60
    highest = [sums(x).max() for x in rng.standard_normal((3000, sessions))]
    expected = float(np.mean(np.array(highest) < peak))
    assert sureness(peak, sessions, 1) == pytest.approx(expected, abs=0.03)
    assert sureness(peak, sessions, 7) < sureness(peak, sessions, 1) < sureness(6.0, sessions, 1)
