"""The rules' two accounts written again in a few lines, to hold the rules' own against.

The debt with its allowance and its lead (``rules.step.debt``), and the arrears beside it: what is
short beyond the share alone. A test lets both run over the same pulls.
"""

from typing import Any, NamedTuple

import numba
import numpy as np

from tests.bench.detection.pulls import DT_S
from tests.bench.detection.signals import Signals


class Terms(NamedTuple):
    """Terms of the quick account, and the share of the slow one."""

    share: float
    floor_ml_min: float
    delay_tolerance_s: float
    lead: float
    slow_share: float


@numba.njit(cache=True)
def _accounts(
    commanded: Any,
    expected_all: Any,
    delivered: Any,
    kept: Any,
    terms: Any,
    quick_out: Any,
    slow_out: Any,
) -> None:
    share, floor_ml_min, delay_tolerance_s, lead, slow_share = terms
    for i in range(delivered.shape[0]):
        quick = slow = 0.0
        undelayed = commanded[i, 0]
        before = expected_all[i, 0]
        command_before = commanded[i, 0]
        for j in range(delivered.shape[1]):
            expected = expected_all[i, j]
            middle = 0.5 * (commanded[i, j] + command_before)
            command_before = commanded[i, j]
            undelayed = middle + (undelayed - middle) * kept[i]
            rate = abs(expected - before) / DT_S
            before = expected
            timing = max(delay_tolerance_s * rate, lead * max(expected - undelayed, 0.0))
            short = expected - delivered[i, j]
            quick += (short - share * expected - floor_ml_min - timing) * DT_S / 60.0
            slow += (short - slow_share * expected) * DT_S / 60.0
            quick = max(quick, 0.0)
            slow = max(slow, 0.0)
            quick_out[i, j] = quick
            slow_out[i, j] = slow


def accounts(signals: Signals, lag_s: Any, terms: Terms) -> tuple[Any, Any]:
    """Return the quick and the slow account, mL, (pulls, samples).

    Args:
        signals: The pulls.
        lag_s: The rig's lag for each pull.
        terms: Allowances.
    """
    quick, slow = np.empty(signals.delivered.shape), np.empty(signals.delivered.shape)
    kept = np.exp(-DT_S / np.broadcast_to(np.asarray(lag_s, dtype=float), len(signals)))
    _accounts(
        signals.commanded, signals.expected, signals.delivered, kept, tuple(terms), quick, slow
    )
    return quick, slow
