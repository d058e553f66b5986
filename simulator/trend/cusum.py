"""Has a number that is measured once a session changed? A sequential test with known run lengths.

What is usual, and how far sessions scatter, is learned from the sessions themselves: each is held
against all before it, as a deviate of Student's distribution with as many degrees of freedom as
they leave, and so counts with the doubt that few sessions leave. Turned into standard normal
deviates these are independent while nothing changes (Hawkins, J. Qual. Technol. 19, 1987), so the
cumulative sum of them (Page, Biometrika 41, 1954) has the run lengths of a car that is known.
"""

from functools import cache
from math import exp, inf, log, sqrt
from typing import Any, Final

import numpy as np

ALLOWANCE: Final = 0.5  # half of the change that is found soonest, in standard deviations
CLIP: Final = 3.0  # one session counts no more: it takes several to say that something changed
LEAST_BEFORE: Final = 4  # sessions that say how far sessions scatter; fewer say next to nothing
_CELLS: Final = 60  # of a limit of eight deviations
_FIRST: Final = 4.0
_STEPS: Final = 30
_NEAR: Final = 1e-6


def scores(values: Any, least: float = 0.0) -> Any:
    """Return how far each value lies off all before it, as a standard normal deviate, (n,).

    Args:
        values: In order, (n,); NaN where a session tells nothing.
        least: Standard deviation of what differs between days and is no change, however little
            these sessions scatter, >= 0; with it, false alarms are rarer than without.

    Returns:
        NaN there, and where fewer than ``LEAST_BEFORE`` came before. What lies farther out than
        ``CLIP`` is learned from as if it lay there.
    """
    from scipy.special import ndtr, ndtri, stdtr, stdtrit

    out = np.full(len(values), np.nan)
    n, mean, squares = 0, 0.0, 0.0
    for i, value in enumerate(values):
        x = float(value)
        if np.isnan(x):
            continue
        if n >= LEAST_BEFORE and squares + least > 0.0:
            unit = sqrt((squares / (n - 1) + least * least) * (1.0 + 1.0 / n))
            t = (x - mean) / unit
            # From the tail that is near: the other's share rounds to one.
            score = -float(np.sign(t)) * float(ndtri(stdtr(n - 1, -abs(t))))
            out[i] = min(max(score, -CLIP), CLIP)
            if abs(score) > CLIP:
                x = mean + unit * float(np.sign(t)) * float(stdtrit(n - 1, ndtr(CLIP)))
        n += 1
        step = x - mean
        mean += step / n
        squares += step * (x - mean)
    return out


def sums(deviates: Any, sign: float = 1.0) -> Any:
    """Return the cumulative sum behind each deviate, (n,), >= 0; NaN adds nothing.

    Args:
        deviates: Standard normal while nothing changes, (n,).
        sign: 1 for what rises, -1 for what falls.
    """
    out, total = np.empty(len(deviates)), 0.0
    for i, value in enumerate(deviates):
        if not np.isnan(value):
            total = max(total + sign * float(value) - ALLOWANCE, 0.0)
        out[i] = total
    return out


def run_length(
    limit: float, shift: float = 0.0, allowance: float = ALLOWANCE, clip: float = inf
) -> float:
    """Return after how many values, on average, a one-sided cumulative sum passes its limit.

    By a Markov chain (Brook & Evans, Biometrika 59, 1972), whose error falls with the square of its
    cells: two of them give that of none.

    Args:
        limit: In standard deviations, > 0.
        shift: By how much the values are off, in standard deviations.
        allowance: Taken off each.
        clip: Values count for no more than this, either way.
    """
    if limit >= clip * 1e6:
        return inf
    coarse, fine = (_chain(limit, shift - allowance, clip - allowance, n) for n in _cells(limit))
    return (4.0 * fine - coarse) / 3.0


def _cells(limit: float) -> tuple[int, int]:
    half = max(int(_CELLS * limit / 8.0), 24)
    return half, 2 * half


def _chain(limit: float, drift: float, most: float, cells: int) -> float:
    from scipy.special import ndtr

    width = 2.0 * limit / (2 * cells - 1)
    at = width * np.arange(cells)
    edges = at[None, :] + 0.5 * width - at[:, None] - drift
    below = ndtr(edges)
    below[edges + drift >= most] = 1.0
    leaves = np.diff(below, prepend=0.0, axis=1)
    leaves[:, 0] = below[:, 0]
    return float(np.linalg.solve(np.eye(cells) - leaves, np.ones(cells))[0])


@cache
def limit_for(length: float) -> float:
    """Return the limit that such a sum passes once in so many sessions in which nothing changes.

    Args:
        length: Sessions, more than 3.
    """
    # The logarithm is all but straight, so few steps along its chord come to it.
    (one, off), limit = (_FIRST, log(run_length_cached(_FIRST) / length)), 2.0 * _FIRST
    for _ in range(_STEPS):
        now = log(run_length_cached(limit) / length)
        if abs(now) < _NEAR:
            break
        (one, off), limit = (limit, now), max(limit - now * (limit - one) / (now - off), 0.1)
    return limit


@cache
def run_length_cached(limit: float) -> float:
    """Return ``run_length`` of sums as they are counted here, with nothing changed."""
    return run_length(max(limit, 1e-3), clip=CLIP)


def sureness(peak: float, sessions: int, tests: int) -> float:
    """Return the probability that sums of so many healthy sessions would not have come so high.

    Run lengths are all but geometric: exp(-n / run length).

    Args:
        peak: The highest sum, >= 0.
        sessions: That were judged.
        tests: Sums that were looked at.
    """
    return exp(-sessions * tests / run_length_cached(round(min(peak, 14.0), 2)))
