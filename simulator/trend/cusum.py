"""Has a number that is measured once a session changed? A sequential test with known run lengths.

What is usual, how far sessions scatter, and how much of that goes on from one to the next (weather,
a batch of fluid), is learned from the sessions themselves: each is held against what all before it
speak for, with the doubt that few sessions leave. Level and scatter are taken out as in Student's
distribution; the correlation of neighbours is weighed by the restricted likelihood, which lacks the
bias that a correlation about an estimated mean has (Cheang & Reinsel, J. Am. Stat. Assoc. 95,
2000). Turned into standard normal deviates these are independent while nothing changes
(Rosenblatt, Ann. Math. Stat. 23, 1952; for independent sessions Hawkins, J. Qual. Technol. 19,
1987), so the cumulative sum of them (Page, Biometrika 41, 1954) has the run lengths of a car that
is known.
"""

from functools import cache
from math import exp, inf, log
from typing import Any, Final

import numpy as np

# Half of the change that is found soonest, in standard deviations (Montgomery, Introduction to
# Statistical Quality Control, ch. 9).
ALLOWANCE: Final = 0.5
# Common practice, no source: one session counts no more, so it takes several to say that something
# changed; fewer sessions than these say next to nothing of how far they scatter.
CLIP: Final = 3.0
LEAST_BEFORE: Final = 4
# A session may be off by a share of what the one before was off by: the shares that are tried, each
# as likely beforehand. Up to 0.6 false alarms come as seldom as is stated. The larger the shares
# that are allowed, the longer a jump passes for one of them.
KEPT: Final = np.linspace(0.0, 0.75, 6)
_CELLS: Final = 60  # of a limit of eight deviations
_FIRST: Final = 4.0
_STEPS: Final = 30
_NEAR: Final = 1e-6


def scores(values: Any, least: float = 0.0) -> Any:
    """Return how far each value lies off what all before it speak for, a standard normal deviate.

    Args:
        values: In order, (n,); NaN where a session tells nothing.
        least: Standard deviation of what differs between days and is no change, however little
            these sessions scatter, >= 0; with it, false alarms are rarer than without.

    Returns:
        (n,); NaN where the value is, and where fewer than ``LEAST_BEFORE`` came before. What lies
        farther out than ``CLIP`` is learned from as if it lay there.
    """
    from scipy.special import ndtr, stdtrit

    out = np.full(len(values), np.nan)
    fresh = np.sqrt(1.0 - KEPT * KEPT)  # deviation of what a session adds, of that of sessions
    of_level = (1.0 - KEPT) / fresh
    n, last = 0, 0.0
    mean, squares, weight = np.zeros_like(KEPT), np.zeros_like(KEPT), np.ones_like(KEPT)
    for i, value in enumerate(values):
        x = float(value)
        if np.isnan(x):
            continue
        if n == 0:
            n, last, mean = 1, x, np.full_like(KEPT, x)
            continue
        ahead = mean + KEPT * (last - mean)
        doubt = 1.0 + of_level * of_level / weight
        variance = squares / max(n - 1, 1) + least * least
        if n >= LEAST_BEFORE and variance.all():
            likely = -np.log(fresh) * (n - 1) - 0.5 * (np.log(weight) + np.log(variance) * (n - 1))
            share = np.exp(likely - likely.max())
            share /= share.sum()
            unit = fresh * np.sqrt(variance * doubt)
            score = _deviate(share, (x - ahead) / unit, n - 1)
            out[i] = min(max(score, -CLIP), CLIP)
            if abs(score) > CLIP:
                x = float(share @ (ahead + unit * np.sign(score) * stdtrit(n - 1, ndtr(CLIP))))
        off = (x - ahead) / fresh
        squares = squares + off * off / doubt
        weight = weight + of_level * of_level
        mean = mean + of_level * off / weight
        n, last = n + 1, x
    return out


def _deviate(share: Any, t: Any, free: int) -> float:
    """Return the standard normal deviate that is as rare as Student's, weighed by their shares.

    Rosenblatt's transformation, of the module's first lines.
    """
    from scipy.special import ndtri, stdtr

    # From the tail that is near: the other's share rounds to one.
    below, above = (float(share @ stdtr(free, sign * t)) for sign in (1.0, -1.0))
    return float(ndtri(below)) if below < above else -float(ndtri(above))


def sums(deviates: Any, sign: float = 1.0) -> Any:
    """Return the cumulative sum behind each deviate, (n,), >= 0; NaN adds nothing (Page 1954).

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

    Run lengths are all but geometric (Brook & Evans): exp(-n / run length).

    Args:
        peak: The highest sum, >= 0.
        sessions: That were judged.
        tests: Sums that were looked at.
    """
    return exp(-sessions * tests / run_length_cached(round(min(peak, 14.0), 2)))
