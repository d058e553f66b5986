"""The sum behind evidence against numbers published or computed elsewhere, the source beside each.

A car's evidence for one size of shortfall is a one-sided cumulative sum: shortfall less half of the
size looked for, in units of noise, never below nil.
"""

from itertools import pairwise

import numpy as np
import pytest
from scipy.interpolate import BarycentricInterpolator
from scipy.stats import norm

from rules.channels import Sample
from rules.guard import Guard
from rules.step.state import N_SIZES, UNDER_DELIVERY
from tests.kit.entries import next_account
from tests.kit.rigs import rig

# NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3, CUSUM Control Charts.
NIST = [
    324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
    324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
]  # fmt: skip
NIST_TARGET, NIST_K, NIST_H, NIST_SIGMA = 325.0, 0.3175, 4.1959, 0.635
NIST_HIGH = [
    0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445,
    16.0025, 19.035,
]  # fmt: skip
NIST_LOW = [
    0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, 0, 0, 0, 0, 0, 0, 0, 0, 0,
]  # fmt: skip

# Montgomery & Runger, Applied Statistics and Probability for Engineers, Example 16-6.
RUNGER = [
    102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1, 98.4,
    97.0, 96.7, 100.3, 101.4, 97.2, 101.0,
]  # fmt: skip
RUNGER_HIGH = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
RUNGER_LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]

# Montgomery, Introduction to Statistical Quality Control, Tables 9.1 and 9.2.
MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4,
    10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62,
    11.31, 10.52,
]  # fmt: skip

# Lucas & Crosier, Technometrics 24 (1982) 199-205, Table 5.
CROSIER = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6]

# One-sided average run lengths, k = 0.5, by the integral equation of Goel & Wu (1971) and the
# Markov chain of Brook & Evans (1972), computed with numpy and scipy; NIST 6.3.2.3 has 336 and 930.
SHIFTS = [0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0]
RUN_LENGTH = {
    4.0: [335.3676, 77.0785, 26.6792, 13.2866, 8.3832, 4.7472, 3.3428, 2.6195, 2.1945, 1.7085],
    5.0: [930.887, 141.6877, 38.0096, 17.0485, 10.376, 5.7472, 4.0089, 3.1137, 2.5733, 2.0126],
}
# The same with a head start of h / 2: method of Lucas & Crosier (1982), at shifts 0, 0.5, 1, 2.
HEAD_START_SHIFTS = [0, 0.5, 1.0, 2.0]
HEAD_START_RUN_LENGTH = {
    4.0: [316.379, 20.2531, 5.291, 2.0144],
    5.0: [895.834, 28.7569, 6.348, 2.3623],
}


def sums(excesses: list[float], start: float = 0.0) -> list[float]:
    """Return the sum after each entry."""
    accounts, account = [], start
    for excess in excesses:
        account = next_account(account, excess)
        accounts.append(account)
    return accounts


def first_above(values: list[float], h: float) -> int:
    """Return the 1-based number of the first value above ``h``; 0 where there is none."""
    return next((i for i, value in enumerate(values, 1) if value > h), 0)


def test_nist_sums_and_signals() -> None:
    """Both NIST sums come out to the printed figures; 14 to 20 signal, the low side never."""
    high = sums([x - NIST_TARGET - NIST_K for x in NIST])
    low = sums([NIST_TARGET - NIST_K - x for x in NIST])
    assert high == pytest.approx(NIST_HIGH, abs=1e-9)
    assert low == pytest.approx(NIST_LOW, abs=1e-9)
    assert [i for i, s in enumerate(high, 1) if s > NIST_H] == list(range(14, 21))
    assert first_above(low, NIST_H) == 0


def test_nist_in_sigma_units_signals_alike() -> None:
    """The NIST chart in units of sigma gives the same signals."""
    high = sums([(x - NIST_TARGET) / NIST_SIGMA - 0.5 for x in NIST])
    assert [i for i, s in enumerate(high, 1) if s > 6.607716535433071] == list(range(14, 21))


def test_montgomery_runger_does_not_signal() -> None:
    """Example 16-6 reproduces both printed columns and stays below H = 10."""
    high = sums([x - 100.0 for x in RUNGER])
    low = sums([98.0 - x for x in RUNGER])
    assert high == pytest.approx(RUNGER_HIGH, abs=0.05)
    assert low == pytest.approx(RUNGER_LOW, abs=0.05)
    assert max(*high, *low) < 10.0


def test_montgomery_9_1_signals_at_29() -> None:
    """Tables 9.1 and 9.2: 4.47, 5.28, 5.30 at 28 to 30, first signal at 29, nonzero for 7."""
    high = sums([x - 10.5 for x in MONTGOMERY])
    assert high[27:] == pytest.approx([4.47, 5.28, 5.30], abs=0.005)
    assert first_above(high, 5.0) == 29
    assert min(high[22:29]) > 0.0
    assert high[21] == 0.0


def test_lucas_crosier_head_start() -> None:
    """Table 5: signal at 7 from nought, at 3 with a head start of h / 2."""
    plain = sums([x - 0.5 for x in CROSIER])
    ahead = sums([x - 0.5 for x in CROSIER], start=2.5)
    assert plain == pytest.approx([0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], abs=0.005)
    assert ahead == pytest.approx([2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5], abs=0.005)
    assert (first_above(plain, 5.0), first_above(ahead, 5.0)) == (7, 3)


SHARE = 0.05  # of the flow for one unit of the data
STEP_S = 0.25


def through_a_guard(data: list[float], target: float, k: float, h: float) -> list[list[float]]:
    """Return [sum in data units, level] for each value, taken in by a whole guard as a shortfall.

    No lag, no delay, no tolerances; noise and the only size of shortfall are 2 k, so that evidence
    counts in 2 k; the warning stands at h.
    """
    guard = Guard(
        rig(
            flow_sensor={
                "delay_s": 0.0,
                "delay_within_s": 0.0,
                "lag_s": 0.0,
                "lag_within_s": 0.0,
                "gain_within": 0.0,
                "noise": 2.0 * k * SHARE,
                "noise_lasts_s": 1e-13,
                "floor_ml_min": 0.0,
                "starts_after_ml": 0.0,
            }
        )
    )
    guard.constants.size[:] = [2.0 * k * SHARE] * N_SIZES
    guard.constants.warn_nats = h / (2.0 * k)
    guard.constants.least_scale_ml_min = 800.0  # so that 400 mL/min are not learned from
    guard.step(Sample(0.0, boost_kpa=100.0, commanded_ml_min=400.0, delivered_ml_min=400.0))
    seen = []
    for i, x in enumerate(data, 1):
        delivered = 400.0 * (1.0 - SHARE * (x - target))
        decision = guard.step(
            Sample(i * STEP_S, boost_kpa=100.0, commanded_ml_min=400.0, delivered_ml_min=delivered)
        )
        seen.append([decision.evidence * 2.0 * k, decision.level[UNDER_DELIVERY]])
    return seen


def test_nist_through_a_guard() -> None:
    """A guard fed the NIST data warns at 14 and not before; its evidence is the printed sum."""
    seen = through_a_guard(NIST, NIST_TARGET, NIST_K, NIST_H)
    assert [account for account, _ in seen] == pytest.approx(NIST_HIGH, abs=1e-9)
    assert [level for _, level in seen] == [0.0] * 13 + [1.0] * 7


def test_montgomery_9_1_through_a_guard() -> None:
    """A guard fed Table 9.1 warns at 29 and not before."""
    seen = through_a_guard(MONTGOMERY, 10.0, 0.5, 5.0)
    assert [level for _, level in seen] == [0.0] * 28 + [1.0] * 2
    assert [account for account, _ in seen[27:]] == pytest.approx([4.47, 5.28, 5.30], abs=0.005)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_montgomery_runger_through_a_guard(sign: float) -> None:
    """A guard fed Example 16-6, either side up, stays quiet."""
    seen = through_a_guard([sign * (x - 99.0) for x in RUNGER], 0.0, 1.0, 10.0)
    assert [level for _, level in seen] == [0.0] * 20
    expected = RUNGER_HIGH if sign > 0.0 else RUNGER_LOW
    assert [account for account, _ in seen] == pytest.approx(expected, abs=0.05)


class RunLengths:
    """Average run lengths of the real recursion, by collocation of its integral equation.

    L(s) = 1 + E[L(next(s, X - k)); next <= h], L a polynomial through Chebyshev points of [0, h],
    the expectation by Gauss-Legendre quadrature between the kinks. ``next`` is the code's own.
    """

    def __init__(self, h: float, k: float = 0.5, points: int = 40, quadrature: int = 48) -> None:
        self.nodes = h / 2.0 * (1.0 - np.cos(np.pi * np.arange(points) / (points - 1)))
        self.basis = BarycentricInterpolator(self.nodes, np.eye(points))
        at, weight = np.polynomial.legendre.leggauss(quadrature)
        xs, weights, rows = [], [], []
        for s in self.nodes.tolist():
            edges = [-10.0, k - s, h + k - s, h + k + 14.0]
            x = np.concatenate([(b - a) / 2.0 * at + (a + b) / 2.0 for a, b in pairwise(edges)])
            following = np.array([next_account(s, value - k) for value in x.tolist()])
            stays = following <= h
            xs.append(x)
            weights.append(np.concatenate([(b - a) / 2.0 * weight for a, b in pairwise(edges)]))
            rows.append(self.basis(np.where(stays, following, 0.0)) * stays[:, None])
        self.x, self.weights, self.rows = np.array(xs), np.array(weights), np.array(rows)

    def at(self, start: float, shift: float) -> float:
        """Return the average run length from ``start``, data normal with this mean."""
        density = norm.pdf(self.x - shift) * self.weights
        chain = np.einsum("sq,sqn->sn", density, self.rows)
        lengths = np.linalg.solve(np.eye(len(self.nodes)) - chain, np.ones(len(self.nodes)))
        return float(self.basis(start) @ lengths)


@pytest.mark.parametrize("h", [4.0, 5.0])
def test_exact_run_lengths(h: float) -> None:
    """One-sided run lengths, from nought and with a head start, agree to 1e-4."""
    lengths = RunLengths(h)
    assert [lengths.at(0.0, d) for d in SHIFTS] == pytest.approx(RUN_LENGTH[h], rel=1e-4)
    found = [lengths.at(h / 2.0, d) for d in HEAD_START_SHIFTS]
    assert found == pytest.approx(HEAD_START_RUN_LENGTH[h], rel=1e-4)


@pytest.mark.parametrize(("shift", "exact"), [(1.0, 8.3832), (0.5, 26.6792)])
def test_run_lengths_by_simulation(shift: float, exact: float) -> None:
    """A thousand seeded runs average the exact run length, within four standard errors."""
    noise = np.random.default_rng(20).normal(shift - 0.5, 1.0, 60_000).tolist()
    lengths: list[int] = []
    account, steps = 0.0, 0
    for excess in noise:
        steps += 1
        account = next_account(account, excess)
        if account > 4.0:
            lengths.append(steps)
            account, steps = 0.0, 0
            if len(lengths) == 1000:
                break
    assert len(lengths) == 1000
    error = np.std(lengths, ddof=1) / np.sqrt(len(lengths))
    assert abs(np.mean(lengths) - exact) < 4.0 * error
