"""Since when, how far and how fast a number has changed: at once, or more with each day.

Two shapes are tried: a level that jumps, and one that begins to move at a steady pace. Where it
began is weighed by how well the sessions bear it out: level and slope are taken out, and so is how
far sessions scatter, each with a flat prior (Zellner, An Introduction to Bayesian Inference in
Econometrics, 1971, ch. 7). What is told of it is drawn from what remains possible.
"""

from dataclasses import dataclass
from math import inf
from typing import Any, Final, NamedTuple

import numpy as np

LEAST_BEFORE: Final = 3  # sessions before a change: fewer are no level
DRAWS: Final = 4000
_SEED: Final = 1
_ENDS: Final = (0.05, 0.95)
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
    jump = _Shape(values, [(days > day).astype(float) for day in days[:-1]])
    ramp = _Shape(values, [np.maximum(days - day, 0.0) for day in days[:-1]])
    ramps = 1.0 / (1.0 + float(np.exp(np.clip(jump.likelihood - ramp.likelihood, -500.0, 500.0))))
    gradual = ramps > 0.5
    of_ramp = np.arange(DRAWS) < round(ramps * DRAWS)
    at, before, slope = np.where(of_ramp, ramp.drawn(), jump.drawn())
    since = days[at.astype(int)]
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
    from scipy.special import stdtrit

    told = np.isfinite(values)
    values, days = np.asarray(values)[told], np.asarray(days, float)[told]
    ahead = np.maximum(days - change.since.value, 0.0)
    shape = ahead / max(change.last_day - change.since.value, 1e-9)
    shape = shape if change.gradual else (ahead > 0.0).astype(float)
    n = len(values)
    if n < LEAST_BEFORE + 2 or shape.max(initial=0.0) <= 0.0 or (shape == 0.0).sum() < 2:
        return None
    x = np.column_stack((np.ones(n), shape))
    inverse = np.linalg.inv(x.T @ x)
    level, by = inverse @ x.T @ values
    squares = float(((values - level - by * shape) ** 2).sum())
    reach = float(stdtrit(n - 2, _ENDS[1])) * np.sqrt(squares / (n - 2) * inverse[1, 1])
    return Interval(float(by), float(by - reach), float(by + reach))


class _Shape:
    """One shape of change, wherever it may have begun.

    Args:
        values: (n,).
        columns: What the change adds, for each place where it may have begun, (n,) each.

    Attributes:
        likelihood: Logarithm of the greatest, but for a constant.
    """

    def __init__(self, values: Any, columns: list[Any]) -> None:
        n = len(values)
        self._n = n
        places = range(LEAST_BEFORE - 1, n - 1)
        self._at = np.array(places)
        self._fits = []
        weights = []
        for place in places:
            x = np.column_stack((np.ones(n), columns[place]))
            normal = x.T @ x
            inverse = np.linalg.inv(normal)
            level = inverse @ x.T @ values
            squares = max(float(((values - x @ level) ** 2).sum()), _LEAST_SQUARES)
            self._fits.append((level, inverse, squares))
            weights.append(-0.5 * np.log(np.linalg.det(normal)) - 0.5 * (n - 2) * np.log(squares))
        self.likelihood = -0.5 * n * min(float(np.log(squares)) for _, _, squares in self._fits)
        log = np.array(weights)
        self._weight = np.exp(log - log.max())
        self._weight /= self._weight.sum()

    def drawn(self) -> Any:
        """Return draws of the place where it began, the level before, and the slope, (3, DRAWS)."""
        rng = np.random.default_rng(_SEED)
        place = rng.choice(len(self._at), DRAWS, p=self._weight)
        normal = rng.standard_normal((DRAWS, 2))
        scale = np.sqrt(1.0 / rng.chisquare(self._n - 2, DRAWS))
        out = np.empty((DRAWS, 2))
        for i in np.unique(place):
            level, inverse, squares = self._fits[i]
            rows = place == i
            spread = np.sqrt(squares) * (normal[rows] @ np.linalg.cholesky(inverse).T)
            out[rows] = level + spread * scale[rows, None]
        return np.array((self._at[place], out[:, 0], out[:, 1]))


def _interval(draws: Any) -> Interval:
    low, high = np.quantile(draws, _ENDS).tolist()
    return Interval(float(np.median(draws)), low, high)
