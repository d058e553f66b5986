"""Whether the flow falls with boost as the rig says."""

from typing import Final

import numpy as np

from simulator.identify.estimates import Estimate
from simulator.identify.flow import FlowFit
from simulator.identify.intervals import student_95

KEY: Final = "spray.delivery_over_boost"
UNIT: Final = "%/100 kPa"
LEAST_SPAN_KPA: Final = 60.0
LEAST_PULLS: Final = 3
SETTLED: Final = 0.3  # of the most that is expected


def delivery_numbers(fit: FlowFit) -> dict[str, Estimate]:
    """Return how the flow falls with boost against what the rig says, which has no such key."""
    settled = fit.expected > SETTLED * float(fit.expected.max())
    boost, pull = fit.seen.boost[settled], fit.seen.pull[settled]
    low, high = np.quantile(boost, (0.05, 0.95))
    n = len(np.unique(pull))
    if high - low < LEAST_SPAN_KPA or n < LEAST_PULLS:
        why = (
            f"not enough in this log: {n} pulls, with boost from {low:z.0f} to {high:z.0f} kPa "
            "under spray, don't tell how the flow falls with boost: log some at "
            f"{LEAST_SPAN_KPA:z.0f} kPa less of it"
        )
        return {KEY: Estimate(KEY, UNIT, why_not=why)}
    share = 100.0 * fit.off[settled] / fit.expected[settled]
    x = (boost - boost.mean()) / 100.0
    slope = float((x * share).sum() / (x * x).sum())
    scores = np.bincount(pull, x * (share - share.mean() - slope * x))
    error = float(np.sqrt((scores**2).sum() * n / (n - 2)) / (x * x).sum())
    half = student_95(max(n - 1, 3)) * error
    told = Estimate(KEY, UNIT, slope, slope - half, slope + half, f"{n} pulls")
    return {KEY: told}
