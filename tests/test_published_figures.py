"""Published figures that evidence and its rivals are held against: which test has each.

Those that no other test has are tested here.

Run lengths come from the project's own recursions: ``rules.step.evidence.judge_entry`` and the EWMA
kernels of the detection bench are asked where they go from every state, and the integral equation
over these answers is solved (Goel & Wu, Technometrics 13 (1971); Crowder, Technometrics 29
(1987)).
"""

from collections.abc import Callable
from functools import cache
from importlib import import_module
from itertools import pairwise
from math import exp, log, sqrt
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import BarycentricInterpolator
from scipy.stats import norm

from tests.bench.detection.kernels import ewma_of_residual, ewma_of_share
from tests.kit.entries import next_account
from tests.rules.step.test_sums import MONTGOMERY, RunLengths, sums

HERE = "test_published_figures"
OUTSIDE = "rules.step.test_sums"
# Figures by a short name of ours -> module and test that has them, or why there can be none.
COVERED = {
    # the sum behind evidence (CUSUM)
    "cusum-nist-tabular": f"{OUTSIDE}.test_nist_sums_and_signals",
    "cusum-nist-sigma-units": f"{OUTSIDE}.test_nist_in_sigma_units_signals_alike",
    "cusum-montgomery-runger-16-6": f"{OUTSIDE}.test_montgomery_runger_does_not_signal",
    "cusum-montgomery-9-1": f"{OUTSIDE}.test_montgomery_9_1_signals_at_29",
    "cusum-lucas-crosier-fir": f"{OUTSIDE}.test_lucas_crosier_head_start",
    "arl-two-sided-h4": f"{HERE}.test_two_sided_run_lengths",
    "arl-two-sided-h5": f"{HERE}.test_two_sided_run_lengths",
    "arl-one-sided-h4-h5": f"{OUTSIDE}.test_exact_run_lengths",
    "arl-siegmund": f"{HERE}.test_siegmund_beside_the_exact_run_length",
    "arl-fir": f"{OUTSIDE}.test_exact_run_lengths",
    "arl-inverse-h": f"{HERE}.test_limit_for_a_wanted_run_length",
    "arl-hawkins-k-h": f"{HERE}.test_hawkins_pairs",
    "arl-shewhart": f"{HERE}.test_shewhart_is_an_ewma_of_weight_one",
    # EWMA, a rival of the detection bench
    "ewma-nist": f"{HERE}.test_ewma_nist",
    "ewma-montgomery": f"{HERE}.test_ewma_montgomery",
    "ewma-arl": f"{HERE}.test_ewma_run_lengths",
    # SPRT
    "sprt-bounds": f"{HERE}.test_wald_expectations_through_the_account",
    # fault intervals
    "ftti-terms": "rules.test_intervals.test_the_time_budget_adds_up",
    "iec61508-terms": "not applicable: no failure rate, coverage or integrity level is computed",
    # intervals and metrics
    "detection-metrics": "bench.test_statistics.test_confusion_metrics",
    "wilson-z196": "simulator.proof.test_proportions.test_wilson_at_z_196",
    "wilson-newcombe": "simulator.proof.test_proportions.test_newcombe_cases",
    "rule-of-three": "simulator.proof.test_proportions.test_rule_of_three",
    "roc-auc": "simulator.proof.test_proportions.test_roc_auc",
}
NOT_APPLICABLE = "not applicable: "


@pytest.mark.parametrize("figures", COVERED)
def test_every_entry_names_a_test_that_exists(figures: str) -> None:
    """Each entry of the table names a real test, or says why there can be none."""
    named = COVERED[figures]
    if named.startswith(NOT_APPLICABLE):
        assert len(named) > len(NOT_APPLICABLE) + 10
        return
    module, _, name = named.rpartition(".")
    assert name.startswith("test_")
    assert callable(getattr(import_module(f"tests.{module}"), name))


SHIFTS = [0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0]


@cache
def account(h: float, k: float) -> RunLengths:
    """Return the run lengths of the real account for this limit and allowance."""
    return RunLengths(h, k)


def two_sided(h: float, k: float, shift: float) -> float:
    """Return the run length of two accounts, one a side: 1/ARL = 1/A + 1/B (Kemp 1961)."""
    lengths = account(h, k)
    return 1.0 / (1.0 / lengths.at(0.0, shift) + 1.0 / lengths.at(0.0, -shift))


# Montgomery, Introduction to Statistical Quality Control, Table 9.3 (k = 0.5): as printed, and
# computed with numpy and scipy. h = 5 prints 139 for 139.49.
TWO_SIDED = {
    4.0: (
        [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71],
        [167.6838, 74.224, 26.6302, 13.2851, 8.3831, 4.7472, 3.3428, 2.6195, 2.1945, 1.7085],
    ),
    5.0: (
        [465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01],
        [465.4435, 139.4937, 37.9961, 17.0483, 10.376, 5.7472, 4.0089, 3.1137, 2.5733, 2.0126],
    ),
}


@pytest.mark.parametrize("h", [4.0, 5.0])
def test_two_sided_run_lengths(h: float) -> None:
    """Two one-sided accounts give the two-sided run lengths: 1e-4, and the printed digits."""
    printed, exact = TWO_SIDED[h]
    found = [two_sided(h, 0.5, shift) for shift in SHIFTS]
    assert found == pytest.approx(exact, rel=1e-4)
    digits = [1.0 if p > 100 else 0.1 if p >= 10 else 0.01 for p in printed]
    assert all(abs(f - p) < d for f, p, d in zip(found, printed, digits, strict=True))


def siegmund(h: float, shift: float, k: float = 0.5) -> float:
    """Return Siegmund's approximation of the one-sided run length (Sequential Analysis, 1985)."""
    drift, b = shift - k, h + 1.166
    if drift == 0.0:
        return b * b
    return (exp(-2.0 * drift * b) + 2.0 * drift * b - 1.0) / (2.0 * drift * drift)


@pytest.mark.parametrize(
    ("h", "figures"),
    [  # Siegmund (1985), at shifts 0, 0.5, 1, 2; computed with numpy
        (4.0, [338.0932, 26.6876, 8.3434, 3.2218]),
        (5.0, [938.2224, 38.0196, 10.3362, 3.8884]),
    ],
)
def test_siegmund_beside_the_exact_run_length(h: float, figures: list[float]) -> None:
    """The formula gives its figures, and is as near the real account as it is said to be."""
    assert [siegmund(h, d) for d in (0.0, 0.5, 1.0, 2.0)] == pytest.approx(
        figures, rel=1e-5, abs=5e-5
    )
    off = {d: siegmund(h, d) / account(h, 0.5).at(0.0, d) - 1.0 for d in SHIFTS}
    assert max(abs(off[d]) for d in SHIFTS if d <= 1.5) < 0.02
    assert -0.04 < off[2.0] < -0.02
    assert -0.17 < off[4.0] < -0.12


def test_siegmund_two_sided() -> None:
    """Both sides together at no shift, h = 5: 469.1112 by formula, 465.4435 by the account."""
    assert siegmund(5.0, 0.0) / 2.0 == pytest.approx(469.1112, rel=1e-5)
    assert two_sided(5.0, 0.5, 0.0) == pytest.approx(469.1112, rel=0.01)


@pytest.mark.parametrize(
    ("sides", "wanted", "h"),
    [  # the integral equation solved for h, k = 0.5; computed with numpy and scipy
        (1, 370, 4.09545),
        (1, 500, 4.38913),
        (1, 1000, 5.0707),
        (1, 10000, 7.36079),
        (1, 36000, 8.64041),  # half an hour at 20 Hz
        (1, 100000, 9.6617),
        (2, 370.4, 4.7749),
        (2, 500, 5.0707),
    ],
)
def test_limit_for_a_wanted_run_length(sides: int, wanted: float, h: float) -> None:
    """The wanted in-control run length lies within 0.001 of the limit given for it."""
    below, above = (account(h + by, 0.5).at(0.0, 0.0) / sides for by in (-1e-3, 1e-3))
    assert below < wanted < above


# Hawkins (1993), quoted by Montgomery, Table 9.4: k, h for a two-sided run length of 370.
HAWKINS = [
    (0.25, 8.0083, 8.01),
    (0.5, 4.7738, 4.77),
    (0.75, 3.339, 3.34),
    (1.0, 2.5163, 2.52),
    (1.25, 1.9862, 1.99),
]


@pytest.mark.parametrize(("k", "h", "printed"), HAWKINS)
def test_hawkins_pairs(k: float, h: float, printed: float) -> None:
    """Each pair gives 370 between h - 0.001 and h + 0.001, and within 0.005 of the printed h."""
    assert two_sided(h - 1e-3, k, 0.0) < 370.0 < two_sided(h + 1e-3, k, 0.0)
    assert two_sided(printed - 5e-3, k, 0.0) < 370.0 < two_sided(printed + 5e-3, k, 0.0)


class Chain:
    """A recursion on normal data that ends outside (low, high], by collocation.

    ``step`` maps states and data to the states after; ``edges`` gives, for a state, the data
    between whose kinks to integrate. What lies outside the edges counts as ended.
    """

    def __init__(
        self,
        low: float,
        high: float,
        step: Callable[[Any, Any], Any],
        edges: Callable[[float], list[float]],
        points: int = 48,
    ) -> None:
        self.nodes = low + (high - low) / 2.0 * (
            1.0 - np.cos(np.pi * np.arange(points) / (points - 1))
        )
        self.basis = BarycentricInterpolator(self.nodes, np.eye(points))
        at, weight = np.polynomial.legendre.leggauss(64)
        spans = [list(pairwise(edges(s))) for s in self.nodes.tolist()]
        self.x = np.array(
            [np.concatenate([(b - a) / 2.0 * at + (a + b) / 2.0 for a, b in s]) for s in spans]
        )
        self.weights = np.array(
            [np.concatenate([(b - a) / 2.0 * weight for a, b in s]) for s in spans]
        )
        states = np.repeat(self.nodes[:, None], self.x.shape[1], axis=1)
        after = step(states.ravel(), self.x.ravel()).reshape(self.x.shape)
        self.above = after > high
        stays = (after > low) & ~self.above
        at_states = self.basis(np.where(stays, after, low).ravel())
        self.rows = at_states.reshape(*self.x.shape, points) * stays[:, :, None]

    def solve(self, start: float, shift: float, ends_above: bool = False) -> float:
        """Return the mean number of data from ``start``, or the chance to end above ``high``."""
        density = norm.pdf(self.x - shift) * self.weights
        chain = np.einsum("sq,sqn->sn", density, self.rows)
        per_step = (density * self.above).sum(axis=1) if ends_above else np.ones(len(self.nodes))
        return float(self.basis(start) @ np.linalg.solve(np.eye(len(self.nodes)) - chain, per_step))


def ewma_chain(weight: float, width: float) -> Chain:
    """Return the bench's EWMA on standard normal data with limits of ``width`` sigmas."""
    limit = width * sqrt(weight / (2.0 - weight))

    def step(states: Any, data: Any) -> Any:
        # The kernel starts at nought: a first residual of state / weight puts it in any state.
        residuals = np.column_stack([states / weight, data])
        return ewma_of_residual(residuals, np.zeros_like(residuals), weight)[:, 1]

    def edges(state: float) -> list[float]:
        kept = (1.0 - weight) * state
        return [(-limit - kept) / weight, (limit - kept) / weight]

    return Chain(-limit, limit, step, edges)


# Lucas & Saccucci, Technometrics 32 (1990); Montgomery, Table 9.11. Steady limits, start nought.
EWMA_RUN_LENGTHS = [
    (0.40, 3.054, [499.95, 223.73, 71.2, 28.42, 14.26, 5.87, 3.52, 2.54, 2.02, 1.44]),
    (0.25, 2.998, [499.84, 170.3, 48.29, 20.11, 11.14, 5.46, 3.61, 2.74, 2.26, 1.73]),
    (0.20, 2.962, [499.74, 150.22, 41.76, 18.15, 10.54, 5.5, 3.74, 2.88, 2.38, 1.86]),
    (0.10, 2.814, [499.58, 106.32, 31.3, 15.85, 10.33, 6.08, 4.36, 3.44, 2.87, 2.19]),
    (0.05, 2.615, [499.93, 84.01, 28.76, 16.37, 11.38, 7.11, 5.22, 4.17, 3.5, 2.69]),
]


@pytest.mark.parametrize(("weight", "width", "lengths"), EWMA_RUN_LENGTHS)
def test_ewma_run_lengths(weight: float, width: float, lengths: list[float]) -> None:
    """The bench's EWMA has the published run lengths: 0.2 %, or the last printed digit."""
    chain = ewma_chain(weight, width)
    found = [chain.solve(0.0, shift) for shift in SHIFTS]
    assert found == pytest.approx(lengths, rel=2e-3, abs=0.0051)


def test_shewhart_is_an_ewma_of_weight_one() -> None:
    """With weight 1 the EWMA trips as a three-sigma chart does (standard result; NIST 6.3.2.3)."""
    chain = ewma_chain(1.0, 3.0)
    assert [chain.solve(0.0, shift) for shift in SHIFTS] == pytest.approx(
        [370.3983, 281.1525, 155.2242, 81.2157, 43.8947, 14.9677, 6.303, 3.2411, 2.0, 1.1886],
        rel=1e-5,
        abs=5e-5,  # half their last digit
    )


REFERENCE_ML_MIN = 400.0
UNIT = 0.01  # of the reference, for one unit of the data, so that a share stays small


def by_residual(data: list[float], target: float, weight: float) -> Any:
    """Return the residual's EWMA of data that fall short of the target by themselves."""
    reference = np.full((1, len(data)), REFERENCE_ML_MIN)
    delivered = REFERENCE_ML_MIN - (np.array([data]) - target)
    return target + ewma_of_residual(reference, delivered, weight)[0]


def by_share(data: list[float], target: float, weight: float) -> Any:
    """Return the missing share's EWMA, brought back to units of the data."""
    reference = np.full((1, len(data)), REFERENCE_ML_MIN)
    delivered = REFERENCE_ML_MIN * (1.0 - UNIT * (np.array([data]) - target))
    return target + ewma_of_share(reference, delivered, weight)[0] / UNIT


KERNELS = pytest.mark.parametrize("ewma", [by_residual, by_share])
Ewma = Callable[[list[float], float, float], Any]

# NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4, EWMA Control Charts.
NIST = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2,
    52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
NIST_PRINTED = [
    50.6, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
    49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip
NIST_EXACT = [
    50.6, 49.52, 50.564, 50.1848, 50.1594, 49.2116, 49.7481, 49.8537, 50.2576, 50.3303, 50.1112,
    49.3578, 49.5205, 50.0543, 49.378, 49.9246, 50.7272, 51.2291, 51.9403, 51.9882,
]  # fmt: skip


@KERNELS
def test_ewma_nist(ewma: Ewma) -> None:
    """NIST's EWMA (weight 0.3, from 50) comes out to the digits and stays inside its limits."""
    found = ewma(NIST, 50.0, 0.3)
    assert found == pytest.approx(NIST_PRINTED, abs=0.005)
    assert found == pytest.approx(NIST_EXACT, abs=5.1e-5)
    half = 3.0 * 2.0539 * sqrt(0.3 / 1.7)
    assert (50.0 - half, 50.0 + half) == pytest.approx((47.4115, 52.5884), abs=2e-4)
    assert (50.0 - half, 50.0 + half) == pytest.approx((47.411568, 52.588432), abs=1e-6)
    assert np.max(np.abs(found - 50.0)) < half


@KERNELS
def test_ewma_montgomery(ewma: Ewma) -> None:
    """Table 9.10 (weight 0.1, L 2.7): the printed levels, and the first signal at 29."""
    found = ewma(MONTGOMERY, 10.0, 0.1)
    levels = [found[i - 1] for i in (1, 28, 29, 30)]
    assert levels == pytest.approx([9.945, 10.57314, 10.64682, 10.63414], abs=5e-5)
    number = np.arange(1, 31)
    half = 2.7 * np.sqrt(0.1 / 1.9 * (1.0 - 0.9 ** (2 * number)))
    assert (10.0 + half[0], 10.0 + half[28]) == pytest.approx((10.27, 10.61873), abs=5e-5)
    assert number[np.abs(found - 10.0) > half][0] == 29


# Wald, Sequential Analysis (1947): mean 0 against 1, unit variance, overshoot ignored. alpha, beta;
# A, B, their logarithms; mean number of data under the fault and without it.
WALD = [
    (0.05, 0.1, 18.0, 0.10526316, 2.8903718, -2.2512918, 4.75241, 3.98842),
    (0.05, 0.05, 19.0, 0.05263158, 2.944439, -2.944439, 5.29999, 5.29999),
    (0.01, 0.01, 99.0, 0.01010101, 4.5951199, -4.5951199, 9.00643, 9.00643),
    (0.001, 0.05, 950.0, 0.05005005, 6.856462, -2.9947317, 12.7278, 5.96976),
]
OVERSHOOT = 0.583  # mean excess over a limit, in sigmas (Siegmund 1985); twice it is his 1.166


def sprt(down: float, up: float, k: float) -> Chain:
    """Return a test between two limits as an account that starts at ``down`` and ends at nought."""
    high = down + up

    def step(states: Any, data: Any) -> Any:
        pairs = zip(states.tolist(), data.tolist(), strict=True)
        return np.array([next_account(state, x - k) for state, x in pairs])

    return Chain(0.0, high, step, lambda s: [min(-9.0, k - s), k - s, high + k - s, high + 9.0])


@pytest.mark.parametrize("row", WALD)
def test_wald_expectations_through_the_account(row: tuple[float, ...]) -> None:
    """An account with k = shift / 2 that ends at nought or its limit is Wald's test.

    His bounds hold for its errors, his counts lie below its own. With both limits drawn in by the
    mean overshoot, and a small shift, it has his errors and his counts over shift^2.
    """
    alpha, beta, a, b, log_a, log_b, with_fault, without = row
    assert ((1.0 - beta) / alpha, beta / (1.0 - alpha)) == pytest.approx((a, b), rel=1e-5)
    assert (log(a), log(b)) == pytest.approx((log_a, log_b), rel=1e-5)
    wald = (
        2.0 * ((1.0 - beta) * log_a + beta * log_b),
        -2.0 * (alpha * log_a + (1.0 - alpha) * log_b),
    )
    assert wald == pytest.approx((with_fault, without), rel=1e-5)
    plain = sprt(-log_b, log_a, 0.5)
    assert plain.solve(-log_b, 0.0, ends_above=True) < 1.0 / a
    assert 1.0 - plain.solve(-log_b, 1.0, ends_above=True) < b
    assert plain.solve(-log_b, 1.0) > with_fault
    assert plain.solve(-log_b, 0.0) > without
    shift = 0.2
    start = -log_b / shift - OVERSHOOT
    drawn_in = sprt(start, log_a / shift - OVERSHOOT, shift / 2.0)
    counts = [drawn_in.solve(start, mean) * shift**2 for mean in (shift, 0.0)]
    assert counts == pytest.approx([with_fault, without], rel=5e-3)
    assert drawn_in.solve(start, 0.0, ends_above=True) == pytest.approx(alpha, rel=1e-3)
    assert 1.0 - drawn_in.solve(start, shift, ends_above=True) == pytest.approx(beta, rel=1e-3)


@pytest.mark.parametrize("shift", [0.5, 1.0, 2.0])
def test_the_account_is_a_restarted_sprt(shift: float) -> None:
    """With k = shift / 2 account times shift is the log-likelihood ratio of the best restart.

    Page, Biometrika 41 (1954). So a limit of lnA / shift is passed where the ratio passes A.
    """
    data = np.array(MONTGOMERY) - 10.0
    ratios = norm.logpdf(data - shift) - norm.logpdf(data)
    best = [max(0.0, *(ratios[m : n + 1].sum() for m in range(n + 1))) for n in range(len(data))]
    accounts = np.array(sums([x - shift / 2.0 for x in data.tolist()]))
    assert accounts * shift == pytest.approx(best, abs=1e-9)
    assert (accounts > log(18.0) / shift).tolist() == [ratio > log(18.0) for ratio in best]
    assert max(best) > log(18.0)
