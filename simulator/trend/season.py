"""Sessions of one car in order: what changed between them, how sure that is, and what it is.

Each number has its sums, one for each direction that means something; together they raise no more
than one false alarm in ``FALSE_EVERY`` sessions, whether these are independent or hang together. A
service ends a span: what is usual is learned anew behind it, and only whether the numbers are back
is asked across.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Any, Final, NamedTuple

import numpy as np

from simulator.trend.change import Change, Interval, change_of, differs, follows
from simulator.trend.cusum import (
    ALLOWANCE,
    CLIP,
    LEAST_BEFORE,
    limit_for,
    scores,
    sums,
    sureness,
)
from simulator.trend.sessions import Session, pooled

FLOW, LINE, SUPPLY, DELAY, LAG = "flow", "line", "supply", "delay", "lag"
FALSE_EVERY: Final = 2600.0  # sessions: fifty years of weekly ones
HELD: Final = 0.6  # correlation of neighbours up to which that holds
# Common practice, no source:
BACK: Final = 0.5  # of a loss: so much made up for is back
STAYS: Final = 3  # sessions in a row
LEAST_TOGETHER: Final = 12  # sessions, for the correlation of neighbours
SOON: Final = 8  # sessions
LARGEST: Final = 10.0  # lasting change that is looked for there, in deviations between sessions
SURELY: Final = 0.99  # where nothing was found, so odd a service is told of
# The correlation of independent neighbours, times the root of their number, is below in 95 % of
# series (Bartlett, J. R. Stat. Soc. Suppl. 8, 1946).
NORMAL_95: Final = 1.6449


class _Kind(NamedTuple):
    """A number that is followed.

    ``least``: standard deviation from day to day that is no fault, however little these sessions
    scatter; common practice, no source.
    """

    least: float
    rises: bool
    falls: bool


KINDS: Final = {
    FLOW: _Kind(0.003, True, True),
    LINE: _Kind(0.005, True, True),
    SUPPLY: _Kind(0.05, False, True),
    DELAY: _Kind(0.003, True, False),
    LAG: _Kind(0.003, True, False),
}


@dataclass(frozen=True, slots=True)
class Found:
    """A number that changed.

    Attributes:
        rises: Which way.
        at: Session in which it was sure, a number among all.
        sure: Probability that no number of a healthy car would have come so far.
        change: Since when and how far.
        returned: Session from which on it was back as it was, though no service was told; None:
            it stays.
        together: Correlation between neighbouring sessions before the change, where it is told from
            none; else nought.
    """

    rises: bool
    at: int
    sure: float
    change: Change
    returned: int | None = None
    together: float = 0.0


@dataclass(frozen=True, slots=True)
class Span:
    """Sessions between two services.

    Attributes:
        first: Number of the first session.
        end: Behind the last.
        counted: Of these, how many tell of the witness.
        wanted: How many it takes until anything may be found.
        found: By number; empty while all is as usual.
        nearest: How near the highest sum is to its limit, 0 to 1 and more.
        usual: Mean of each number, and the standard deviation of its sessions.
        beside: Where something was found, what each other number did meanwhile.
    """

    first: int
    end: int
    counted: int
    wanted: int
    found: Mapping[str, Found]
    nearest: float
    usual: Mapping[str, tuple[float, float]]
    beside: Mapping[str, Interval] = field(default_factory=dict)

    @property
    def main(self) -> str:
        """The number by which it is told: flow, else line, else the first; empty: none."""
        return next((name for name in KINDS if name in self.found), "")


@dataclass(frozen=True, slots=True)
class Season:
    """What all sessions say.

    Attributes:
        days: When each was, (n,).
        numbers: By name, (n,); NaN where a session tells nothing of it.
        spans: Between services, in order.
        limit: Of every sum.
        paths: Name and direction (1 up, -1 down) to its sums, (n,).
    """

    days: Any
    numbers: Mapping[str, Any]
    spans: tuple[Span, ...]
    limit: float
    paths: Mapping[tuple[str, float], Any]


def numbers_of(sessions: Sequence[Session]) -> dict[str, Any]:
    """Return what is followed of some sessions, (n,) each; numbers that none tells are left out."""

    def or_nan(values: Sequence[float | None]) -> Any:
        return np.array([np.nan if value is None else value for value in values])

    supply = [None if one.supply_v is None else one.supply_v.value for one in sessions]
    numbers = {
        FLOW: pooled([one.flow for one in sessions]),
        LINE: pooled([one.line for one in sessions]),
        SUPPLY: or_nan(supply),
        DELAY: or_nan([one.delay_s for one in sessions]),
        LAG: or_nan([one.lag_s for one in sessions]),
    }
    return {name: values for name, values in numbers.items() if np.isfinite(values).any()}


def directions(numbers: Mapping[str, Any]) -> list[tuple[str, float]]:
    """Return which sums are kept: a number's name, and 1 up or -1 down."""
    ways = [(name, 1.0) for name in numbers if KINDS[name].rises]
    return ways + [(name, -1.0) for name in numbers if KINDS[name].falls]


def season_of(numbers: Mapping[str, Any], days: Any, cuts: Sequence[int] = ()) -> Season:
    """Return what some sessions say together.

    Args:
        numbers: As ``numbers_of`` has them, at least one.
        days: When each session was, ascending, (n,).
        cuts: Numbers of the sessions that are the first behind a service.
    """
    ways = directions(numbers)
    limit = limit_for(FALSE_EVERY * len(ways))
    paths = {way: np.zeros(len(days)) for way in ways}
    ends = [*cuts, len(days)]
    spans = []
    for first, end in zip([0, *cuts], ends, strict=True):
        if first < end:
            spans.append(_span(numbers, days, slice(first, end), limit, paths))
    return Season(np.asarray(days, float), numbers, tuple(spans), limit, paths)


def _span(
    numbers: Mapping[str, Any],
    days: Any,
    part: slice,
    limit: float,
    paths: Mapping[tuple[str, float], Any],
) -> Span:
    found: dict[str, Found] = {}
    usual: dict[str, tuple[float, float]] = {}
    when = np.asarray(days, float)[part]
    counted, nearest = 0, 0.0
    for name, values in numbers.items():
        here = values[part]
        told = here[np.isfinite(here)]
        counted = max(counted, len(told))
        if len(told):
            scatter = float(np.std(told, ddof=1)) if len(told) > 1 else np.nan
            usual[name] = float(np.mean(told)), scatter
        deviates = scores(here, KINDS[name].least)
        ways = {way[1]: sums(deviates, way[1]) for way in paths if way[0] == name}
        for sign, path in ways.items():
            paths[name, sign][part] = path
            nearest = max(nearest, float(path.max(initial=0.0)) / limit)
        judged = int(np.isfinite(deviates).sum())
        told_first = _told_first(ways, limit)
        if told_first is None:
            continue
        sign, at = told_first
        returned = _returned(here, when, at, sign)
        change = change_of(here[:returned], when[:returned])
        if change is not None and change.by.value * sign > 0.0:
            sure = sureness(float(ways[sign].max()), judged, len(paths))
            back = None if returned is None else part.start + returned
            found[name] = Found(
                *(sign > 0.0, part.start + at, sure, change, back),
                _together(here[when <= change.since.value]),
            )
    wanted = LEAST_BEFORE + ceil(limit / (CLIP - ALLOWANCE))
    span = Span(part.start, part.stop, counted, wanted, found, nearest, usual)
    if not found:
        return span
    lead = found[span.main].change
    beside = {
        name: by
        for name, values in numbers.items()
        if (by := follows(values[part], when, lead)) is not None
    }
    return Span(part.start, part.stop, counted, wanted, found, nearest, usual, beside)


def _told_first(ways: Mapping[float, Any], limit: float) -> tuple[float, int] | None:
    """Return which of a number's sums passes its limit first, and where; None: none does."""
    passed = [
        (int(np.argmax(path >= limit)), sign) for sign, path in ways.items() if path.max() >= limit
    ]
    return min(passed)[::-1] if passed else None


def _together(values: Any) -> float:
    """Return the correlation of neighbours, where that is told from none at 95 %; else 0.

    About a mean of few it comes out too low by (1 + 3 r) / n (Marriott & Pope; Kendall, Biometrika
    41, 1954), which is put back.
    """
    told = values[np.isfinite(values)]
    if len(told) < LEAST_TOGETHER or np.ptp(told) == 0.0:
        return 0.0
    off = told - told.mean()
    share = float((off[1:] * off[:-1]).sum() / (off * off).sum())
    n = len(told)
    return min((n * share + 1.0) / (n - 3), 1.0) if share > NORMAL_95 / n**0.5 else 0.0


def _returned(values: Any, days: Any, at: int, sign: float) -> int | None:
    """Return from where on a number that was told of is back as it was; None: it isn't.

    That is where ``STAYS`` sessions in a row lack less than half of what was lost before them:
    common practice, no source.

    Args:
        values: Of a span, (n,).
        days: When, (n,).
        at: Where it was told.
        sign: Which way it went.
    """
    change = change_of(values[: at + 1], days[: at + 1])
    if change is None:
        return None
    lost = sign * (values - change.before.value)
    told = np.flatnonzero(np.isfinite(values))
    rest = told[told >= at]
    for i, place in enumerate(rest[: len(rest) - STAYS + 1]):
        most = float(np.median(np.sort(lost[told[told < place]])[-STAYS:]))
        if (lost[rest[i : i + STAYS]] < BACK * most).all():
            return int(place)
    return None


def soonest(season: Season, span: Span, name: str) -> float | None:
    """Return the least lasting fall that would be told within ``SOON`` more sessions; None: none.

    Args:
        season: All sessions.
        span: In which nothing was found.
        name: Of the number.
    """
    here, least = season.numbers[name][span.first : span.end], KINDS[name].least
    mean, scatter = span.usual[name]
    unit = float(np.hypot(scatter, least))
    for size in np.arange(1.0, LARGEST + 0.5, 0.5) * unit:
        falls = np.append(here, np.full(SOON, mean - size))
        if sums(scores(falls, least)[len(here) :], -1.0)[-1] >= season.limit:
            return float(size)
    return None


class Back(NamedTuple):
    """What a service did to a number.

    Attributes:
        loss: What it had changed by before the service; nought where nothing was found.
        by: What it differs by since from what it was before that.
        back: Whether it is as before; None: too early to say.
    """

    loss: float
    by: Interval
    back: bool | None


def back_after(season: Season, number: int, name: str) -> Back | None:
    """Return whether a number is back behind a service; None where too few sessions tell.

    Args:
        season: All sessions.
        number: Of the span behind the service, from 1.
        name: Of the number.
    """
    before, after = season.spans[number - 1], season.spans[number]
    values = season.numbers[name]
    found = before.found.get(name)
    healthy = np.arange(before.first, before.end)
    if found is not None:
        healthy = healthy[season.days[healthy] <= found.change.since.value]
    since = np.arange(after.first, after.end)
    again = after.found.get(name)
    if again is not None:
        since = since[season.days[since] <= again.change.since.value]
    was, now = (values[at][np.isfinite(values[at])] for at in (healthy, since))
    free = len(was) + len(now) - 2
    if len(was) < 2 or len(now) < 1 or free < 1:
        return None
    values = np.concatenate((was, now))
    shape = (np.arange(len(values)) >= len(was)).astype(float)
    by = differs(values, shape, KINDS[name].least)
    if found is None:
        _, low, high = differs(values, shape, KINDS[name].least, SURELY)
        return Back(0.0, by, low <= 0.0 <= high)
    loss = found.change.by.value
    ends = (by.low / loss, by.high / loss)  # of the loss, what is left of it
    left = min(ends), max(ends)
    back = True if left[1] < BACK else False if left[0] > BACK else None
    return Back(loss, by, back)
