"""Since when, how far and how fast a number has changed: at once, or more with each day.

Two shapes are tried: a level that jumps, and one that begins to move at a steady pace. Where it
began, and how much of what a session is off by the next one is off by too, is weighed by how well
the sessions bear it out: level and slope are taken out, and so is how far sessions scatter, each
with a flat prior (Zellner, An Introduction to Bayesian Inference in Econometrics, 1971, ch. 4 and
7). What is told of it is drawn from what remains possible.
"""

from dataclasses import dataclass
from math import inf, log, sqrt
from typing import Any, Final, NamedTuple

import numpy as np

from simulator.trend.cusum import KEPT

# Common practice, no source:
LEAST_BEFORE: Final = 3  # sessions before a change: fewer are no level
WITHIN: Final = 0.9  # what is possible: so much of it an interval holds
DRAWS: Final = 4000
_SEED: Final = 1
_ENDS: Final = (0.5 - 0.5 * WITHIN, 0.5 + 0.5 * WITHIN)
_LEAST_SQUARES: Final = 1e-18


class Interval(NamedTuple):
    """A value and its interval of 90 %."""

    value: float
    low: float
    high: float

    def over(self, by: float) -> "Interval":
        """Return the same divided by a number more than nought."""
        return Interval(self.value / by, self.low / by, self.high / by)


@dataclass(frozen=True, slots=True)
class Change:
    """How a number changed.

    Attributes:
        gradual: Whether it moves on with time; else it jumped.
        since: When it began: the day of the last session that was as before.
        before: Its level until then.
        now: Its level in the last session.
        by: What that differs by.
        per_day: Its pace; nought where it jumped.
        draws: What is possible: day it began, level before, change at the last session, pace, each
            (DRAWS,).
        last_day: The last session's.
    """

    gradual: bool
    since: Interval
    before: Interval
    now: Interval
    by: Interval
    per_day: Interval
    draws: tuple[Any, Any, Any, Any]
    last_day: float

    def along(self, days: Any) -> Any:
        """Return the interval's lower end, the median and its upper end on some days, (3, n).

        Args:
            days: On the axis that it was told from, (n,).
        """
        since, before, by, pace = (draw[:, None] for draw in self.draws)
        moved = np.where(pace != 0.0, pace * np.maximum(days - since, 0.0), by * (days > since))
        return np.quantile(before + moved, (_ENDS[0], 0.5, _ENDS[1]), axis=0)

    def reaches(self, level: float) -> Interval | None:
        """Return on which day it reaches a level at this pace; None: it doesn't move that way.

        Ends are infinite where it may never, or nought from the last session on where it has.
        """
        if not self.gradual:
            return None
        _, before, by, pace = self.draws
        left = (level - (before + by))[pace != 0.0]
        by, pace = by[pace != 0.0], pace[pace != 0.0]
        with np.errstate(divide="ignore"):
            wait = np.where(left * pace > 0.0, left / pace, np.where(left * by <= 0.0, 0.0, inf))
        value = float(np.median(wait))
        if value == inf:
            return None
        low, high = np.quantile(wait, _ENDS, method="nearest").tolist()
        return Interval(self.last_day + value, self.last_day + low, self.last_day + high)


def change_of(values: Any, days: Any) -> Change | None:
    """Return the change that explains some sessions best; None where they are too few.

    Args:
        values: Each session's, in order of time, (n,); NaN where it tells nothing.
        days: When it was, ascending, (n,).
    """
    told = np.isfinite(values)
    values, days = np.asarray(values)[told], np.asarray(days, float)[told]
    if len(values) < LEAST_BEFORE + 2:
        return None
    last = days[-1]
    at = np.arange(LEAST_BEFORE - 1, len(values) - 1)
    ahead = days - days[at, None]
    jump = _Shape(values, (ahead > 0.0).astype(float))
    ramp = _Shape(values, np.maximum(ahead, 0.0))
    ramps = 1.0 / (1.0 + float(np.exp(np.clip(jump.likelihood - ramp.likelihood, -500.0, 500.0))))
    gradual = ramps > 0.5
    of_ramp = np.arange(DRAWS) < round(ramps * DRAWS)
    place, before, slope = np.where(of_ramp, ramp.drawn(), jump.drawn())
    since = days[at[place.astype(int)]]
    by = np.where(of_ramp, slope * (last - since), slope)
    pace = np.where(of_ramp, slope, 0.0)
    return Change(
        gradual,
        _interval(since),
        _interval(before),
        _interval(before + by),
        _interval(by),
        _interval(pace[of_ramp] if gradual else pace),
        (since, before, by, pace),
        float(last),
    )


def follows(values: Any, days: Any, change: Change) -> Interval | None:
    """Return by how much another number changed likewise; None where too few sessions tell.

    Args:
        values: Each session's, (n,); NaN where it tells nothing.
        days: When, (n,).
        change: Whose shape and beginning are taken over.
    """
    told = np.isfinite(values)
    values, days = np.asarray(values)[told], np.asarray(days, float)[told]
    ahead = np.maximum(days - change.since.value, 0.0)
    shape = ahead / max(change.last_day - change.since.value, 1e-9)
    shape = shape if change.gradual else (ahead > 0.0).astype(float)
    n = len(values)
    if n < LEAST_BEFORE + 2 or shape.max(initial=0.0) <= 0.0 or (shape == 0.0).sum() < 2:
        return None
    return differs(values, shape)


def differs(values: Any, shape: Any, least: float = 0.0, within: float = WITHIN) -> Interval:
    """Return by how much values differ as a shape goes from nought to one.

    Args:
        values: In order, (n,), at least three.
        shape: Of each, (n,), not the same for all.
        least: Standard deviation that they scatter by, however little they do, >= 0.
        within: Share of what is possible that the interval holds.
    """
    return _interval(_Shape(values, shape[None, :], least).drawn()[2], within)


class _Shape:
    """One shape of change, wherever it may have begun.

    Args:
        values: (n,).
        columns: What the change adds, for each place where it may have begun, (places, n).
        least: As ``differs`` has it.

    Attributes:
        likelihood: Logarithm of the greatest, but for a constant.
    """

    def __init__(self, values: Any, columns: Any, least: float = 0.0) -> None:
        self._places, n = columns.shape
        self._free = n - 2
        x = np.stack((np.ones_like(columns), columns), axis=1)
        fits, weights, self.likelihood = [], [], -inf
        for kept in KEPT:
            y, z = _alone(values, kept), _alone(x, kept)
            normal = z @ z.swapaxes(1, 2)
            inverse = np.linalg.inv(normal)
            level = (inverse @ (z @ y)[..., None])[..., 0]
            off = y - (level[:, None, :] @ z)[:, 0]
            squares = np.maximum((off * off).sum(axis=1), _LEAST_SQUARES)
            squares += self._free * least * least
            fresh = -0.5 * (n - 1) * log(1.0 - kept * kept)
            self.likelihood = max(self.likelihood, fresh - 0.5 * n * log(squares.min()))
            weights.append(
                fresh - 0.5 * np.log(np.linalg.det(normal)) - 0.5 * self._free * np.log(squares)
            )
            fits.append((level, inverse, squares))
        self._level, self._inverse, self._squares = map(np.concatenate, zip(*fits, strict=True))
        likely = np.concatenate(weights)
        self._weight = np.exp(likely - likely.max())
        self._weight /= self._weight.sum()

    def drawn(self) -> Any:
        """Return draws of the place where it began, the level before, and the slope, (3, DRAWS).

        Level and slope given the place are Student's about least squares (Zellner, ch. 3).
        """
        rng = np.random.default_rng(_SEED)
        which = rng.choice(len(self._weight), DRAWS, p=self._weight)
        normal = rng.standard_normal((DRAWS, 2, 1))
        scale = np.sqrt(self._squares[which] / rng.chisquare(self._free, DRAWS))
        spread = (np.linalg.cholesky(self._inverse)[which] @ normal)[..., 0] * scale[:, None]
        return np.array((which % self._places, *(self._level[which] + spread).T))


def _alone(values: Any, kept: float) -> Any:
    """Return sessions less the share of the one before that they keep, (..., n).

    The first stays whole (Prais & Winsten, Cowles Commission Discussion Paper 383, 1954).
    """
    fresh = (values[..., 1:] - kept * values[..., :-1]) / sqrt(1.0 - kept * kept)
    return np.concatenate((values[..., :1], fresh), axis=-1)


def _interval(draws: Any, within: float = WITHIN) -> Interval:
    low, high = np.quantile(draws, (0.5 - 0.5 * within, 0.5 + 0.5 * within)).tolist()
    return Interval(float(np.median(draws)), low, high)
