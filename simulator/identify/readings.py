"""What can be told of readings without any model: how often they come, in which steps, how held."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

PAUSE: Final = 1.8  # usual periods: a longer step is a gap
HELD: Final = 1.6  # rows a refresh: with fewer, holding can't be told from living
LEAST_CHANGES: Final = 12
MOST_DIVISOR: Final = 5  # the smallest difference seen may be so many steps
ON_A_STEP: Final = 0.02  # of a step: as near to a multiple of it is on it
BUNCH: Final = 30  # changes looked at together, so that a slow drift of either clock is no matter
MOST_BUNCHES: Final = 40
IN_STEP: Final = 0.5  # of all changes, as a mean phase: less regular is no refresh


@dataclass(frozen=True, slots=True)
class Rate:
    """How often rows come: usual time between two, and its standard deviation, both s."""

    period_s: float
    jitter_s: float


def rate_of(t_s: Any) -> Rate:
    """Return how often rows come, gaps left out; t_s: ascending, s, two or more."""
    steps = np.diff(t_s)
    steps = steps[steps > 0.0]
    usual = float(np.median(steps))
    near = steps[steps < PAUSE * usual]
    return Rate(float(near.mean()), float(near.std()))


def resolution_of(values: Any) -> float:
    """Return the step of which all readings are whole multiples apart; 0: none is found.

    The smallest difference seen may be several steps: it is divided, and the whole number of it
    that nearly all other differences are wins, largest first.
    """
    seen = np.unique(np.round(values[np.isfinite(values)], 9))
    differences = np.unique(np.round(np.diff(seen), 7))
    differences = differences[differences > 1e-7]
    if len(seen) < 3:
        return 0.0
    for divisor in range(1, MOST_DIVISOR + 1):
        step = float(differences[0]) / divisor
        near = differences[differences <= 50.0 * step] / step
        if np.mean(np.abs(near - np.round(near)) < ON_A_STEP) > 0.97 and len(near) < len(seen):
            return step
    return 0.0


def refresh_of(t_s: Any, values: Any, lively: Any) -> float:
    """Return how long a sensor holds a reading, s; 0: it is new in every row, or can't be told.

    The period in which the times of its changes are most in step (periodogram of their times,
    Rayleigh's test).

    Args:
        t_s: Ascending, s, (n,).
        values: Readings, (n,).
        lively: Where a living reading would move, (n,) of bool.
    """
    changed = 1 + np.flatnonzero((np.diff(values) != 0.0) & lively[1:] & lively[:-1])
    if len(changed) < LEAST_CHANGES:
        return 0.0
    at_s = t_s[changed]
    apart = np.diff(at_s)
    apart = apart[apart < 1.0]
    period_s = rate_of(t_s).period_s
    if len(apart) < LEAST_CHANGES - 2 or np.median(apart) < HELD * period_s:
        return 0.0
    usual_s = float(np.quantile(apart, 0.25))
    periods = np.geomspace(0.6 * usual_s, 1.5 * usual_s, 1200)
    in_step = np.zeros(len(periods))
    bunches = np.array_split(at_s, max(len(at_s) // BUNCH, 1))[:MOST_BUNCHES]
    for bunch in bunches:
        turns = np.outer(1.0 / periods, bunch - bunch[0])
        in_step += np.abs(np.exp(2j * np.pi * turns).sum(axis=1))
    in_step /= sum(len(bunch) for bunch in bunches)
    best = int(np.argmax(in_step))
    if in_step[best] < IN_STEP or periods[best] < HELD * period_s:
        return 0.0
    return float(periods[best])
