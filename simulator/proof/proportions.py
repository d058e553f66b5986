"""Intervals and quantiles: nothing averaged away, nothing claimed beyond the counts.

scipy is loaded where it is wanted: it takes a while.
"""

from collections.abc import Sequence
from math import ceil, inf, log, sqrt
from typing import Any, Final, NamedTuple

import numpy as np

Z_95: Final = 1.959963984540054  # two-sided 95 % of the normal distribution


class Interval(NamedTuple):
    """A confidence interval: of a share (each end 0 to 1), or of a count's mean."""

    low: float
    high: float


def _check_count(k: int, n: int) -> None:
    if not 0 <= k <= n or n == 0:
        raise ValueError(f"count: found {k} of {n}, expected 0 <= k <= n and n > 0")


def wilson(k: int, n: int, z: float = Z_95) -> Interval:
    """Return the Wilson score interval for ``k`` of ``n`` (Wilson, JASA 22 (1927) 209-212).

    Args:
        k: Successes, 0 to n.
        n: Trials, more than 0.
        z: Normal quantile, more than 0.

    Raises:
        ValueError: ``k`` or ``n`` out of range.
    """
    _check_count(k, n)
    share = k / n
    shrink = 1.0 + z * z / n
    centre = (share + z * z / (2.0 * n)) / shrink
    half = z / shrink * sqrt(share * (1.0 - share) / n + z * z / (4.0 * n * n))
    return Interval(
        0.0 if k == 0 else max(centre - half, 0.0), 1.0 if k == n else min(centre + half, 1.0)
    )


def clopper_pearson(k: int, n: int, confidence: float = 0.95) -> Interval:
    """Return the exact two-sided interval (Clopper & Pearson, Biometrika 26 (1934) 404-413).

    Args:
        k: Successes, 0 to n.
        n: Trials, more than 0.
        confidence: More than 0, less than 1.

    Raises:
        ValueError: ``k`` or ``n`` out of range.
    """
    from scipy.stats import beta

    _check_count(k, n)
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if k == 0 else float(beta.ppf(tail, k, n - k + 1))
    high = 1.0 if k == n else float(beta.ppf(1.0 - tail, k + 1, n - k))
    return Interval(low, high)


def poisson(k: int, confidence: float = 0.95) -> Interval:
    """Return the exact interval of a Poisson count's mean (Garwood, Biometrika 28 (1936) 437-442).

    Args:
        k: Events counted, 0 or more.
        confidence: More than 0, less than 1.

    Raises:
        ValueError: ``k`` is negative.
    """
    from scipy.stats import chi2

    if k < 0:
        raise ValueError(f"count: found {k}, expected 0 or more")
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if k == 0 else 0.5 * float(chi2.ppf(tail, 2 * k))
    return Interval(low, 0.5 * float(chi2.ppf(1.0 - tail, 2 * k + 2)))


def rule_of_three(n: int) -> float:
    """Return the approximate one-sided 95 % upper bound on a share never seen in ``n``: 3 / n."""
    _check_count(0, n)
    return 3.0 / n


def upper_bound_of_none(n: int, confidence: float = 0.95) -> float:
    """Return the exact one-sided upper bound on a share never seen in ``n`` trials."""
    _check_count(0, n)
    return float(1.0 - (1.0 - confidence) ** (1.0 / n))


def trials_for(share: float, confidence: float = 0.95) -> int:
    """Return how many trials without an event support "less than ``share``" (0 < share < 1)."""
    return ceil(log(1.0 - confidence) / log(1.0 - share))


def quantile(values: Any, share: float) -> float:
    """Return the least value not exceeded by ``share`` of the values; censored ones are infinite.

    No interpolation, so a miss (infinity) is never averaged with a delay. NaN for no values.

    Args:
        values: Numbers, infinite where censored.
        share: More than 0, at most 1.
    """
    ordered = np.sort(np.asarray(values, dtype=float))
    if len(ordered) == 0:
        return float("nan")
    return float(ordered[min(max(ceil(share * len(ordered) - 1e-9), 1), len(ordered)) - 1])


def miss_count(values: Any) -> int:
    """Return how many values are censored (infinite)."""
    return int(np.count_nonzero(np.asarray(values, dtype=float) == inf))


def roc_auc(positive: Sequence[float], negative: Sequence[float]) -> float:
    """Return the area under the ROC curve by pair counting, ties one half.

    Hanley & McNeil, Radiology 143 (1982) 29-36.

    Raises:
        ValueError: Either is empty.
    """
    if not positive or not negative:
        raise ValueError("roc_auc: found an empty list, expected scores of both classes")
    ordered = np.sort(np.asarray(negative, dtype=float))
    below = np.searchsorted(ordered, positive, "left")
    up_to = np.searchsorted(ordered, positive, "right")
    return float(np.sum(below + up_to)) / (2.0 * len(positive) * len(negative))
