"""How far off a fit may be: the widest of what noise, pieces of a second, and pulls say.

Each knows of a doubt that the others don't: the noise model of noise that lasts, blocks of a model
that doesn't quite hold (sandwich: White, Econometrica 48, 1980), pulls of a car that differs from
one to the next. What no reading shows comes on top: a log knows the command at its rows alone, and
a sensor that holds its readings gave each of them at some time between two rows.

Where a sensor is new in every row, pulls fitted each by itself tell all of delay and lag: a
switched command jumps at some time between two rows, a meter's first pulse comes at some time in
its period, and by either a pull is late as a whole, by more than a fit's slopes hold for.
"""

from math import hypot, sqrt
from typing import Any, Final, NamedTuple

import numpy as np

from simulator.identify.flow import FlowFit, jumps_of, refitted
from simulator.identify.spraying import Spraying

BLOCK_S: Final = 1.0
LEAST_PULLS: Final = 6  # fewer say nothing of how pulls differ
MOST_PARTS: Final = 12  # of a log, each fitted by itself
UNIFORM_90: Final = 0.45  # of a uniform distribution's width, either way, lie 90 % of it
ENDS_SAY_MOST: Final = 1.5  # jumps to no spray, where noise is least, count for more
NEXT_TO_NOTHING: Final = 1e-9  # so that what no reading moves with has an error, a huge one
NORMAL_95: Final = 1.6449  # 95 % of a normal distribution lie below


class Doubt(NamedTuple):
    """How far an interval of nominal 90 % reaches either way."""

    gain: float
    delay_s: float
    log_lag: float


def student_95(freedom: float) -> float:
    """Return what 95 % of Student's distribution lie below (Cornish & Fisher's series).

    Args:
        freedom: Degrees of it, 3 or more.
    """
    z = NORMAL_95
    one = (z**3 + z) / (4.0 * freedom)
    two = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * freedom**2)
    return z + one + two


def doubt_of(fit: FlowFit, spray: Spraying) -> Doubt:
    """Return how far off a fit's numbers may be; spray: what was fitted."""
    slopes, off, weight = fit.slopes, fit.whitened, fit.weight
    bread = np.linalg.inv((slopes.T * weight) @ slopes + NEXT_TO_NOTHING * np.eye(3))
    scores = (slopes.T * (weight * off)).T
    scale = float((weight * off**2).sum() / max(weight.sum() - 3.0, 1.0))
    # Of the readings that tell of each number: those at rest may be off by less.
    told = (slopes**2).T * weight
    own = (told * off**2).sum(axis=1) / np.maximum(told.sum(axis=1), NEXT_TO_NOTHING)
    scales = np.maximum(own, scale)
    by_noise = scales * np.diag(bread)
    at_s = fit.seen.at_s[fit.seen.where]
    block_s = max(BLOCK_S, 6.0 * fit.lasts_s)
    blocks = fit.seen.pull * 100_000 + ((at_s - at_s[0]) / block_s).astype(int) % 100_000
    by_block, n_blocks = _sandwich(bread, scores, blocks)
    by_pull, n_pulls = _sandwich(bread, scores, fit.seen.pull)
    jumps_s2 = _jump_variance(fit)
    unseen = np.array([0.0, jumps_s2, jumps_s2 / (8.0 * fit.lag_s**2)])
    # The command is no straight line between two rows: that makes a lag longer, and a delay either
    # way, the less so the more pulls there are.
    late_s = 0.04 / sqrt(n_pulls) * fit.period_s
    bent = np.array([0.0, late_s, 0.03 * fit.period_s / fit.lag_s]) ** 2
    unseen += bent
    # What the lag rests on, some edges, is the same in few blocks and in many; so is how the noise
    # of a gain is known.
    few = _reach(n_blocks)
    by_noise = np.array([few, NORMAL_95, NORMAL_95]) * np.sqrt(by_noise + unseen)
    reach = np.maximum(by_noise, few * np.sqrt(by_block))
    if n_pulls >= LEAST_PULLS:
        reach = np.maximum(reach, _reach(n_pulls) * np.sqrt(by_pull))
        if fit.refresh_s == 0.0:
            apart = np.maximum(_by_part(fit, spray), NORMAL_95 * np.sqrt(np.diag(bread)))
            reach[1:] = np.hypot(apart, NORMAL_95 * np.sqrt(bent))[1:]
    gain, delay_s, log_lag = reach.tolist()
    if fit.refresh_s > 0.0:
        delay_s = hypot(delay_s, UNIFORM_90 * sqrt(12.0 * _held_variance(fit)))
    return Doubt(gain, delay_s, log_lag)


def _reach(groups: int) -> float:
    return student_95(max(min(groups, 30) - 1, 3))


def _by_part(fit: FlowFit, spray: Spraying) -> Any:
    """Return how far gain, delay and log lag reach by parts of a log fitted alone, (3,)."""
    parts = np.array_split(np.unique(fit.seen.pull), MOST_PARTS)
    every = np.arange(len(spray.pulls))
    fits = [refitted(fit, spray, np.isin(every, part)) for part in parts if len(part)]
    told = np.array([(one.gain, one.delay_s, np.log(one.lag_s)) for one in fits])
    return _reach(len(told)) * told.std(axis=0, ddof=1) / sqrt(len(told))


def _held_variance(fit: FlowFit) -> float:
    """Return the delay's variance from readings that are new at some time between two rows, s^2.

    A sensor that gives one every so many rows gives all of them at one such time, which is then not
    known at all; where they scatter about an even pace, so do these times, and their mean is known.
    """
    at_s, pulls = fit.seen.at_s[fit.seen.where], fit.seen.pull
    scatter, n = 0.0, 0
    for pull in np.unique(pulls):
        times = at_s[pulls == pull]
        count = np.round((times - times[0]) / fit.refresh_s)
        if len(times) > 4:
            off = times - np.polyval(np.polyfit(count, times, 1), count)
            scatter += float((off**2).sum())
            n += len(times) - 2
    whole = fit.period_s**2 / 12.0
    return max(whole - scatter / max(n, 1), 0.1 * whole)


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
    return ENDS_SAY_MOST * fit.period_s**2 / 12.0 * float((share**2).sum())
