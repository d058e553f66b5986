"""Detection statistics over signals: each (pulls, samples), tripping when above a threshold."""

from typing import Any, Final

import numba
import numpy as np

from tests.bench.detection.pulls import DT_S

LEAST_ML_MIN: Final = 100.0  # below this a ratio is all noise (common practice, no source)


@numba.njit(cache=True)
def ratio_below_s(reference: Any, delivered: Any, below: float) -> Any:
    """How long delivered over reference has been below ``below``, s."""
    out = np.zeros(delivered.shape)
    for i in range(delivered.shape[0]):
        run_s = 0.0
        for j in range(delivered.shape[1]):
            if reference[i, j] > LEAST_ML_MIN and delivered[i, j] < below * reference[i, j]:
                run_s += DT_S
            else:
                run_s = 0.0
            out[i, j] = run_s
    return out


@numba.njit(cache=True)
def ewma_of_share(reference: Any, delivered: Any, weight: float) -> Any:
    """EWMA of the missing share of the reference; starts anew below the least flow."""
    out = np.zeros(delivered.shape)
    for i in range(delivered.shape[0]):
        level = 0.0
        for j in range(delivered.shape[1]):
            if reference[i, j] > LEAST_ML_MIN:
                level += weight * (1.0 - delivered[i, j] / reference[i, j] - level)
            else:
                level = 0.0
            out[i, j] = level
    return out


@numba.njit(cache=True)
def ewma_of_residual(reference: Any, delivered: Any, weight: float) -> Any:
    """EWMA of reference less delivered, mL/min."""
    out = np.zeros(delivered.shape)
    for i in range(delivered.shape[0]):
        level = 0.0
        for j in range(delivered.shape[1]):
            level += weight * (reference[i, j] - delivered[i, j] - level)
            out[i, j] = level
    return out


@numba.njit(cache=True)
def debt_of(
    reference: Any, delivered: Any, share: float, floor_ml_min: float, delay_tolerance_s: float
) -> Any:
    """The debt, mL, as ``rules.step.debt`` keeps it; for grids, checked against it by a test."""
    out = np.zeros(delivered.shape)
    for i in range(delivered.shape[0]):
        debt = 0.0
        before = reference[i, 0]
        for j in range(delivered.shape[1]):
            expected = reference[i, j]
            rate = abs(expected - before) / DT_S
            before = expected
            allowance = share * expected + floor_ml_min + delay_tolerance_s * rate
            debt = max(debt + (expected - delivered[i, j] - allowance) * DT_S / 60.0, 0.0)
            out[i, j] = debt
    return out


@numba.njit(cache=True)
def page_hinkley(reference: Any, delivered: Any, delta: float, alpha: float, least: int) -> Any:
    """Page-Hinkley's statistic for a falling ratio, as the generic library keeps it.

    Page, Biometrika 41 (1954); running mean of all values so far, forgetting factor ``alpha``.
    Checked against the library's own detector by a test.
    """
    out = np.zeros(delivered.shape)
    for i in range(delivered.shape[0]):
        n = 0
        mean = 0.0
        total = 0.0
        top = -1.0
        held = 0.0
        for j in range(delivered.shape[1]):
            if reference[i, j] > LEAST_ML_MIN:
                x = delivered[i, j] / reference[i, j]
                n += 1
                mean += (x - mean) / n
                total = alpha * total + x - mean + delta
                top = max(top, total)
                held = top - total if n >= least else 0.0
            out[i, j] = held
    return out
