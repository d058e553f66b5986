"""Sequential tests that may be looked at after every run: bets against what is to be refuted.

Whoever bets at fair odds that a claim is false, with stake one, has more than 1 / a with a
probability of at most a, at whatever moment the betting stops, if the claim is true (Ville's
inequality, 1939; Shafer, J. R. Stat. Soc. A 184 (2021) 407-431). The stake is spread over the
values that would refute the claim: over shares as Beta(1, 1/2), over lower rates with the density
r**-1/2, over higher ones with r**-3/2, each cut off at the claim. Capitals are
given as their natural logarithms.
"""

from collections.abc import Callable
from math import exp, inf, log, log1p, pi, sqrt
from typing import Final

_A: Final = 1.0
_B: Final = 0.5  # more weight near 1: what never fails is told sooner
_A_RATE: Final = 0.5  # likewise near no events at all
_HALVINGS: Final = 50
_LEAST: Final = 1e-9


def against_share_at_most(passed: int, runs: int, share: float) -> float:
    """Return the log capital of a bet against "the share of runs that pass is at most this".

    Args:
        passed: Runs that passed, 0 to ``runs``.
        runs: Runs.
        share: The claim, more than 0 and less than 1.
    """
    return _beta_bet(passed, runs, share, above=True)


def against_share_at_least(passed: int, runs: int, share: float) -> float:
    """Return the log capital of a bet against "the share of runs that pass is at least this"."""
    return _beta_bet(passed, runs, share, above=False)


def _beta_bet(passed: int, runs: int, share: float, *, above: bool) -> float:
    from scipy.special import betainc, betaincc, betaln

    part = betaincc if above else betainc
    failed = runs - passed
    kept = float(part(passed + _A, failed + _B, share))
    if kept <= 0.0:
        return -inf
    won = float(betaln(passed + _A, failed + _B)) + log(kept)
    staked = float(betaln(_A, _B)) + log(float(part(_A, _B, share)))
    return won - staked - passed * log(share) - failed * log1p(-share)


def against_rate_at_least(count: float, time: float, rate: float) -> float:
    """Return the log capital of a bet against "events come at least so often".

    Args:
        count: Events counted, 0 or more.
        time: In what time, >= 0.
        rate: The claim, events in a unit of that time, > 0.
    """
    from scipy.special import gammainc, gammaln

    if time <= 0.0:
        return 0.0
    due, shape = rate * time, count + _A_RATE
    kept = float(gammainc(shape, due))
    if kept <= 0.0:
        return -inf
    return log(_A_RATE) + float(gammaln(shape)) + log(kept) + due - shape * log(due)


def against_rate_at_most(count: float, time: float, rate: float) -> float:
    """Return the log capital of a bet against "events come at most so often"."""
    from scipy.special import gammaincc, gammaln

    if time <= 0.0:
        return 0.0
    due, shape = rate * time, count - _A_RATE
    if shape < 0.0:  # the upper incomplete gamma function of -1/2, by its recurrence
        kept = 2.0 * (exp(-due) / sqrt(due) - sqrt(pi) * float(gammaincc(0.5, due)))
        return -inf if kept <= 0.0 else log(_A_RATE * kept) + due + 0.5 * log(due)
    kept = float(gammaincc(shape, due))
    if kept <= 0.0:
        return -inf
    return log(_A_RATE) + float(gammaln(shape)) + log(kept) + due - shape * log(due)


def share_bounds(passed: int, runs: int, confidence: float) -> tuple[float, float]:
    """Return the least and the most share of runs that pass, each at this confidence.

    They hold at whatever run the test was stopped. A share asked for is passed exactly where the
    least reaches it, and failed where the most doesn't.
    """
    limit = -log1p(-confidence)
    low = _edge(lambda p: against_share_at_most(passed, runs, p) >= limit, 1.0)
    high = _edge(lambda p: against_share_at_least(passed, runs, p) < limit, 1.0)
    return low if passed else 0.0, high if passed < runs else 1.0


def rate_bounds(count: float, time: float, confidence: float) -> tuple[float, float]:
    """Return the least and the most rate of events, each at this confidence; see ``share_bounds``.

    Args:
        count: Events counted, 0 or more.
        time: In what time, > 0.
        confidence: More than 0, less than 1.
    """
    limit = -log1p(-confidence)
    highest = (4.0 * count + 40.0 + 4.0 * limit) / time
    low = _edge(lambda rate: against_rate_at_most(count, time, rate) >= limit, highest)
    high = _edge(lambda rate: against_rate_at_least(count, time, rate) < limit, highest)
    return low if count else 0.0, high


def _edge(holds: Callable[[float], bool], most: float) -> float:
    """Return up to where, from 0 to ``most``, something holds that holds no more beyond it."""
    low, high = _LEAST * most, (1.0 - _LEAST) * most
    if not holds(low):
        return 0.0
    if holds(high):
        return most
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low
