"""Detection statistics over signals: each (pulls, samples), tripping when above a threshold."""

from typing import Any, Final, NamedTuple

import numba
import numpy as np

DT_S: Final = 0.01  # of the contest's rows
LEAST: Final = 0.25  # of full flow: below this a ratio is all noise (common practice, no source)


@numba.njit(cache=True)
def ratio_below_s(reference: Any, delivered: Any, below: float) -> Any:
    """How long delivered over reference has been below ``below``, s."""
    out = np.zeros(delivered.shape)
    for i in range(delivered.shape[0]):
        run_s = 0.0
        for j in range(delivered.shape[1]):
            if reference[i, j] > LEAST and delivered[i, j] < below * reference[i, j]:
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
            if reference[i, j] > LEAST:
                level += weight * (1.0 - delivered[i, j] / reference[i, j] - level)
            else:
                level = 0.0
            out[i, j] = level
    return out


@numba.njit(cache=True)
def ewma_of_residual(reference: Any, delivered: Any, weight: float) -> Any:
    """EWMA of reference less delivered, in their unit."""
    out = np.zeros(delivered.shape)
    for i in range(delivered.shape[0]):
        level = 0.0
        for j in range(delivered.shape[1]):
            level += weight * (reference[i, j] - delivered[i, j] - level)
            out[i, j] = level
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
            if reference[i, j] > LEAST:
                x = delivered[i, j] / reference[i, j]
                n += 1
                mean += (x - mean) / n
                total = alpha * total + x - mean + delta
                top = max(top, total)
                held = top - total if n >= least else 0.0
            out[i, j] = held
    return out


class Terms(NamedTuple):
    """Terms of the two accounts in seconds of full flow: of the quick one, and the slow share."""

    share: float
    floor: float  # of full flow
    timing_s: float
    lead: float
    slow_share: float


@numba.njit(cache=True)
def accounts(
    commanded: Any, expected: Any, delivered: Any, lag_s: float, terms: Any
) -> tuple[Any, Any]:
    """Two accounts of what is missing less an allowance, s of full flow each.

    The rule that the evidence has taken the place of, as a rival: a quick account that allows for
    gain (share), noise (floor) and timing, and a slow one that allows for gain alone.
    """
    share, floor, timing_s, lead, slow_share = terms
    quick_out, slow_out = np.zeros(delivered.shape), np.zeros(delivered.shape)
    kept = np.exp(-DT_S / lag_s)
    for i in range(delivered.shape[0]):
        quick = slow = 0.0
        undelayed = command_before = commanded[i, 0]
        before = expected[i, 0]
        for j in range(delivered.shape[1]):
            due = expected[i, j]
            middle = 0.5 * (commanded[i, j] + command_before)
            command_before = commanded[i, j]
            undelayed = middle + (undelayed - middle) * kept
            timing = max(timing_s * abs(due - before) / DT_S, lead * max(due - undelayed, 0.0))
            before = due
            short = due - delivered[i, j]
            quick = max(quick + (short - share * due - floor - timing) * DT_S, 0.0)
            slow = max(slow + (short - slow_share * due) * DT_S, 0.0)
            quick_out[i, j] = quick
            slow_out[i, j] = slow
    return quick_out, slow_out
