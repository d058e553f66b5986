"""How far off a fit may be: the widest of what noise, pieces of a second, and pulls say.

Each knows of a doubt that the others don't: the noise model of noise that lasts, blocks of a model
that doesn't quite hold (sandwich: White, Econometrica 48, 1980), pulls of a car that differs from
one to the next. What no reading shows comes on top: a log knows the command at its rows alone, and
a sensor that holds its readings gave each of them at some time between two rows.
"""

from typing import Any, Final, NamedTuple

import numpy as np

from simulator.identify.flow import FlowFit, jumps_of

BLOCK_S: Final = 1.0
LEAST_PULLS: Final = 6  # fewer say nothing of how pulls differ
NEXT_TO_NOTHING: Final = 1e-9  # so that what no reading moves with has an error, a huge one
NORMAL_95: Final = 1.6449  # 95 % of a normal distribution lie below


class Doubt(NamedTuple):
    """Standard errors, and by how many of them an interval of nominal 90 % reaches either way."""

    gain: float
    delay_s: float
    log_lag: float
    reach: float


def student_95(freedom: float) -> float:
    """Return what 95 % of Student's distribution lie below (Cornish & Fisher's series).

    Args:
        freedom: Degrees of it, 3 or more.
    """
    z = NORMAL_95
    one = (z**3 + z) / (4.0 * freedom)
    two = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * freedom**2)
    return z + one + two


def doubt_of(fit: FlowFit) -> Doubt:
    """Return how far off a fit's numbers may be."""
    slopes, off, weight = fit.slopes, fit.whitened, fit.weight
    bread = np.linalg.inv((slopes.T * weight) @ slopes + NEXT_TO_NOTHING * np.eye(3))
    scores = (slopes.T * (weight * off)).T
    scale = float((weight * off**2).sum() / max(weight.sum() - 3.0, 1.0))
    by_noise = scale * np.diag(bread)
    at_s = fit.seen.at_s[fit.seen.where]
    block_s = max(BLOCK_S, 6.0 * fit.lasts_s)
    blocks = fit.seen.pull * 100_000 + ((at_s - at_s[0]) / block_s).astype(int) % 100_000
    by_block, n_blocks = _sandwich(bread, scores, blocks)
    by_pull, n_pulls = _sandwich(bread, scores, fit.seen.pull)
    jumps_s2 = _jump_variance(fit)
    unseen = np.array([0.0, jumps_s2, jumps_s2 / (4.0 * fit.lag_s**2)])
    if fit.refresh_s > 0.0:
        unseen[1] += fit.period_s**2 / 12.0
    unseen[1] += (0.04 * fit.period_s) ** 2
    variance = np.maximum(by_noise + unseen, by_block)
    if n_pulls >= LEAST_PULLS:
        variance = np.maximum(variance, by_pull)
    errors = np.sqrt(variance)
    freedom = max(min(n_blocks, 30) - 1, 3)
    return Doubt(float(errors[0]), float(errors[1]), float(errors[2]), student_95(freedom))


def _sandwich(bread: Any, scores: Any, groups: Any) -> tuple[Any, int]:
    """Return variances that allow for what readings of one group have in common, and the groups."""
    _, place = np.unique(groups, return_inverse=True)
    n = int(place.max()) + 1
    sums = np.column_stack([np.bincount(place, scores[:, i], n) for i in range(scores.shape[1])])
    return np.diag(bread @ (sums.T @ sums) @ bread) * n / max(n - 1, 1), n


def _jump_variance(fit: FlowFit) -> float:
    """Return the delay's variance from commands that jumped at some time between two rows, s^2."""
    square = np.diff(fit.seen.command, prepend=0.0) ** 2
    share = jumps_of(fit.seen.command) ** 2 / max(float(square.sum()), 1e-9)
    return fit.period_s**2 / 12.0 * float((share**2).sum())
