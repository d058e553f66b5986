"""How far two groups of runs differ, and how sure that is: Student's t over runs."""

from math import isfinite, nan, sqrt
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

CONFIDENCE: Final = 0.95


class Gain(NamedTuple):
    """A difference of two groups' means, the second less the first, and its interval.

    ``low`` and ``high`` are NaN where a group has a single run, or no run differs from another.
    """

    value: float
    low: float
    high: float


def gain(before: Any, after: Any) -> Gain:
    """Return how far two groups differ in one quantity.

    Runs scatter by as much as they do in each group, which need not be the same: Welch's form.

    Args:
        before: One number a run, (n,); NaN where a run has none.
        after: Likewise, (m,).

    Source: Welch, Biometrika 34 (1947), through scipy.
    """
    from scipy.stats import ttest_ind

    first, second = (np.asarray(x)[np.isfinite(x)] for x in (before, after))
    if not len(first) or not len(second):
        return Gain(nan, nan, nan)
    value = float(second.mean() - first.mean())
    if min(len(first), len(second)) < 2 or not (np.ptp(first) > 0.0 and np.ptp(second) > 0.0):
        return Gain(value, nan, nan)
    found = ttest_ind(second, first, equal_var=False).confidence_interval(CONFIDENCE)
    return Gain(value, float(found.low), float(found.high))


def further_run(values: Any) -> Floats:
    """Return how far from its group's mean a further run would lie, either way, at ``CONFIDENCE``.

    Args:
        values: Runs by speeds, (n, k); NaN where a run has none.

    Returns:
        (k,); NaN where fewer than two runs have one.

    Source: Student's prediction interval for one more of the same: t s sqrt(1 + 1/n).
    """
    from scipy.stats import t

    there = np.isfinite(values)
    n = there.sum(axis=0)
    band = np.full(values.shape[1], nan)
    for k in np.flatnonzero(n >= 2):
        spread = float(np.std(values[there[:, k], k], ddof=1))
        quantile = float(t.ppf(0.5 + 0.5 * CONFIDENCE, n[k] - 1))
        band[k] = quantile * spread * sqrt(1.0 + 1.0 / n[k])
    return band


def mean_over(speed_rpm: Any, values: Any) -> float:
    """Return a curve's mean: the area under it over the span of engine speed.

    Args:
        speed_rpm: Rising, (k,), k of 2 or more.
        values: (k,); NaN anywhere makes it NaN.
    """
    area = float(np.trapezoid(values, speed_rpm))
    return area / float(speed_rpm[-1] - speed_rpm[0]) if isfinite(area) else nan
