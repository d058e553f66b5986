"""A trend as lines for people: a table of sessions, then what changed, or that nothing did."""

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import pairwise
from math import inf
from typing import Final, NamedTuple

import numpy as np
from rich.cells import cell_len

from monitor.recorder.span import counted
from monitor.trend.gathered import Row, Service, Trend
from monitor.words.literal import shortened
from monitor.words.units import Units
from rules.causes.known import CAUSES
from rules.facts import Action, Rig
from simulator.strict import clean
from simulator.trend.change import Change, Interval
from simulator.trend.fault import SLOW, causes_of
from simulator.trend.season import (
    DELAY,
    FALSE_EVERY,
    FLOW,
    HELD,
    LAG,
    LINE,
    SOON,
    SUPPLY,
    Found,
    Season,
    Span,
    back_after,
    directions,
    soonest,
)
from simulator.trend.sessions import Measured

_WEEK: Final = 7.0
_NAME: Final = 10  # a date's width
_BESIDE_NAME: Final = 30  # of a table's line, but for the bands of 8
_SLOW_LABEL: Final = "a spray valve that opens later, air in the line or a soft hose"
_SLOW_CHECK: Final = "how the spray valve opens, then the line for air and for a hose that swells"


class _Shown(NamedTuple):
    """How a number is told: what it is called, its unit, how often that is in one of ours."""

    name: str
    unit: str
    per: float
    decimals: int

    def value(self, value: float) -> str:
        """Return a value with its unit."""
        return f"{self.per * value:z.{self.decimals}f} {self.unit}"

    def by(self, by: Interval) -> str:
        """Return a difference with its sign and its interval."""
        value, low, high = (f"{self.per * x:+z.{self.decimals}f}" for x in by)
        return f"{value} {self.unit} ({low} to {high})"

    def size(self, by: Interval) -> str:
        """Return a difference without its sign."""
        ends = sorted(abs(x) for x in by[1:])
        if by.low * by.high < 0.0:
            ends[0] = 0.0
        low, high = (f"{self.per * x:z.{self.decimals}f}" for x in ends)
        return f"{self.value(abs(by.value))} ({low} to {high})"


SHOWN: Final = {
    FLOW: _Shown("flow", "%", 100.0, 1),
    LINE: _Shown("line pressure", "%", 100.0, 1),
    SUPPLY: _Shown("pump supply", "V", 1.0, 2),
    DELAY: _Shown("delay", "ms", 1e3, 0),
    LAG: _Shown("lag", "ms", 1e3, 0),
}
_SHARES: Final = (FLOW, LINE)


def in_words(trend: Trend, units: Units) -> Iterator[str]:
    """Yield a trend as lines of at most 80 columns where they are a table, else of any length."""
    yield from _head(trend)
    if trend.rows:
        yield ""
        yield from table(trend, units)
    yield from found_in_words(trend)


def found_in_words(trend: Trend) -> Iterator[str]:
    """Yield what changed, or that nothing did, as lines; empty ones stand before each span."""
    if trend.season is None:
        if trend.rows:
            yield ""
            yield "none of them has steady spray that flow or line pressure tell of: no trend"
        return
    for number, span in enumerate(trend.season.spans):
        yield ""
        yield from _span_in_words(trend, trend.season, number, span)
    yield ""
    yield from _foot(trend.season)


def _head(trend: Trend) -> Iterator[str]:
    rig = clean(trend.rig_file.rig.name)
    rows = trend.rows
    if not rows:
        yield f"no session tells anything, judged by rig {rig}"
        return
    if trend.dated:
        by = Counter(row.day.by for row in rows)
        told = ", ".join(
            f"by {way}" if len(by) == 1 else f"{n} by {way}" for way, n in by.most_common()
        )
        when = f"from {rows[0].day.day} to {rows[-1].day.day} ({told})"
    else:
        lacking = sum(row.day.day is None for row in rows)
        which = "none of them has a date"
        if lacking < len(rows):
            which = f"{lacking} of them {'has' if lacking == 1 else 'have'} no date"
        when = f"in the order given: {which} in note, clock or name"
    yield f"{counted(len(rows), 'session')} {when}, all judged by rig {rig}"


def table(trend: Trend, units: Units) -> Iterator[str]:
    """Yield a line a session, at most 80 columns wide."""
    edges = [units.value(edge, "kPa") for edge in trend.edges_kpa]
    bands = [f"{low:z.0f}-{high:z.0f}" for low, high in pairwise(edges)]
    has_flow = any(m is not None for row in trend.rows for m in row.session.flow)
    of = "flow" if has_flow else "line pressure"
    yield f"% read of the {of} that was due, by boost in {units.unit('kPa')}; line: of its pressure"
    names = _names(trend, len(bands))
    yield (
        f"{'':{cell_len(names[0]) + 1}}{'s':>5}"
        + "".join(f"{band:>8}" for band in bands)
        + f"{'line':>7}{'V':>6}{'delay':>6}{'lag':>5}"
    )
    services = list(trend.services)
    any_acted = False
    for number, row in enumerate(trend.rows):
        while services and services[0].at <= number:
            yield _service_line(services.pop(0))
        acted = row.worst > Action.NO_ACTION
        any_acted |= acted
        yield names[number] + _row(trend, number, row, has_flow=has_flow, acted=acted)
    for service in services:
        yield _service_line(service)
    yield "s: sprayed; V: pump supply; delay, lag: of the flow sensor, ms; --: not told"
    if any_acted:
        yield "*: a guard acts in it (flowdebt review says on what)"


def _names(trend: Trend, bands: int) -> list[str]:
    """Return what each session is called in the table, all of one width, that suits the bands."""
    if trend.dated:
        return [str(row.day.day) for row in trend.rows]
    whole = [clean(row.name, 80) for row in trend.rows]
    width = max(_NAME, min(max(map(cell_len, whole)), 80 - _BESIDE_NAME - 8 * bands))
    short = [shortened(name, width) for name in whole]
    if len(set(short)) < len(set(whole)):  # they begin alike: their ends tell them apart
        short = [
            shortened(f"…{name[1 - width :]}" if len(name) > width else name, width)
            for name in whole
        ]
    return [name + " " * (width - cell_len(name)) for name in short]


def _row(trend: Trend, number: int, row: Row, *, has_flow: bool, acted: bool) -> str:
    one = row.session
    line = np.nan
    if trend.season is not None and LINE in trend.season.numbers:
        line = trend.season.numbers[LINE][number]
    bands = "".join(f"{_cell(band):>8}" for band in (one.flow if has_flow else one.line))
    supply = "--" if one.supply_v is None else f"{one.supply_v.value:z.2f}"
    delay, lag = ("--" if t is None else f"{1e3 * t:z.0f}" for t in (one.delay_s, one.lag_s))
    told = "--" if np.isnan(line) else f"{100.0 * line:z.1f}"
    return (
        f"{'*' if acted else ' '}{one.sprayed_s:>z5.0f}{bands}"
        f"{told:>7}{supply:>6}{delay:>6}{lag:>5}"
    )


def _cell(one: Measured | None) -> str:
    return "--" if one is None else f"{100.0 * one.value:z.1f}"


def _service_line(service: Service) -> str:
    when = f"{service.day} " if service.day is not None else ""
    return shortened(f"-- {when}serviced: {service.what}", 80)


def _since(trend: Trend, number: int) -> str:
    """Return what a span follows, for the begin of a sentence; empty for the first."""
    first = trend.season.spans[number].first if trend.season is not None else 0
    before = [one for one in trend.services if one.at == first]
    if not before or first == 0:
        return ""
    day = before[-1].day
    when = f" of {day}" if day is not None else ""
    return f"since the service{when} ({', '.join(one.what for one in before)}): "


def _span_in_words(trend: Trend, season: Season, number: int, span: Span) -> Iterator[str]:
    begins = _since(trend, number)
    if begins:
        yield from _back_in_words(trend, season, number, begins)
    if span.found:
        yield from _found_in_words(trend, season, span, begins)
        return
    if span.counted < span.wanted:
        lacking = span.wanted - span.counted
        yield (
            f"{begins}{counted(span.counted, 'session')} with enough steady spray; before anything "
            f"may be told it takes {span.wanted}, which say how far days differ: {lacking} more"
        )
        return
    usual = next(name for name in SHOWN if name in span.usual)
    shown, (mean, scatter) = SHOWN[usual], span.usual[usual]
    size = soonest(season, span, usual)
    soon = (
        f"It takes more sessions until a lasting fall of any size would be found within {SOON}"
        if size is None
        else f"A lasting fall by {shown.value(size)} would be found within {SOON} sessions"
    )
    yield (
        f"{begins}nothing has changed by more than days differ: {shown.name} "
        f"{shown.value(mean)}{' of what is due' if usual in _SHARES else ''}, "
        f"+-{shown.value(scatter)} from session to session; what speaks most for a "
        f"change stands at {100.0 * span.nearest:z.0f} % of what it takes to tell one. {soon}"
    )


def _found_in_words(trend: Trend, season: Season, span: Span, begins: str) -> Iterator[str]:
    main = span.main
    found = span.found[main]
    yield f"{begins}{_change_in_words(trend, main, found)}"
    for name, other in span.found.items():
        if name != main:
            yield f"  {_change_in_words(trend, name, other)}"
    beside = [
        f"{SHOWN[name].name} {SHOWN[name].by(by)}"
        for name, by in span.beside.items()
        if name not in span.found
    ]
    if beside:
        yield f"  meanwhile: {', '.join(beside)}"
    supply_v = span.usual.get(SUPPLY, (12.0, 0.0))[0]
    causes = causes_of(span.beside, main, supply_v)
    yield f"  likely: {_why(causes, span)}"
    yield f"  check first: {_SLOW_CHECK if causes == (SLOW,) else CAUSES[causes[0]].check_first}"
    ahead = _ahead(trend, main, found)
    if ahead:
        yield f"  {ahead}"


def _change_in_words(trend: Trend, name: str, found: Found) -> str:
    shown, change = SHOWN[name], found.change
    way = "has risen" if found.rises else "has fallen"
    of = " of what is due" if name in _SHARES else ""
    when = _when_in_words(trend, change)
    per = _WEEK if trend.dated else 1.0
    pace = ""
    if change.gradual:
        steps = Interval(*(per * x for x in change.per_day))
        pace = f", {shown.size(steps)} a {'week' if trend.dated else 'session'}"
    else:
        pace = ", at once or nearly so"
    sure = f"{100.0 * min(found.sure, 0.9999):z.2f} %"
    together = ""
    if found.together:
        together = (
            f", though sessions before it hang together (correlation {found.together:z.1f} from "
            "one to the next), which is reckoned with"
        )
    returned = ""
    if found.returned is not None:
        day = _name_of(trend, found.returned)
        returned = (
            f". Back as it was from {day} on, and no service was told: "
            f'--serviced "{day}=WHAT" would judge what follows by itself'
        )
    return (
        f"{shown.name} {way} {when}, by {shown.size(change.by)}{pace}: from "
        f"{shown.value(change.before.value)} to {shown.value(change.now.value)}{of}. "
        f"Told since {_name_of(trend, found.at)}; confidence now {sure}{together}{returned}"
    )


def _when_in_words(trend: Trend, change: Change) -> str:
    value, low, high = (
        str(date.fromordinal(int(day))) if trend.dated else _name_of(trend, int(day))
        for day in change.since
    )
    return f"since about {value} ({low} to {high})" if low != high else f"since {value}"


def _name_of(trend: Trend, number: int) -> str:
    row = trend.rows[number]
    return str(row.day.day) if trend.dated else clean(row.name, 40)


def _why(causes: Sequence[str], span: Span) -> str:
    if causes == (SLOW,):
        return _SLOW_LABEL
    known = [CAUSES[cause] for cause in causes]
    alone = FLOW not in span.beside
    told = " or ".join((alone and one.alone) or one.label for one in known)
    line = span.beside.get(LINE)
    if alone:
        return f"{told} (no flow is measured)"
    if span.main != FLOW:
        return f"{told} (the flow has not changed with it)"
    if line is None:
        return f"{told} (no line pressure is logged: it would tell a clog from the pump)"
    if "supply_low" in causes:
        return f"{told} (it has fallen with the flow)"
    flow = span.beside[FLOW]
    if flow.value > 0.0:
        return f"{told}, a worn nozzle, or a flow sensor that reads high"
    if causes[0] == "clog":
        how = "has risen" if len(causes) == 1 else "has not fallen"
        return f"{told} (flow down, and line pressure {how} with it)"
    if len(causes) > 1 and causes[1] == "clog":
        return f"{told} (line pressure doesn't tell yet)"
    return f"{told} (flow and line pressure down together)"


def tolerated(rig: Rig, name: str, *, rises: bool) -> float | None:
    """Return where a rig takes a number for wrong; None: it has no such limit."""
    sign = 1.0 if rises else -1.0
    if name == FLOW:
        return 1.0 + sign * rig.flow_sensor.gain_within
    if name == LINE:
        return 1.0 + sign * rig.line_sensor.gain_within
    if name == DELAY:
        return rig.flow_sensor.delay_s + rig.flow_sensor.delay_within_s
    if name == LAG:
        return rig.flow_sensor.lag_s + rig.flow_sensor.lag_within_s
    return None


def _ahead(trend: Trend, name: str, found: Found) -> str:
    """Return when the number reaches what the rig tolerates, a sentence; empty where it won't."""
    limit = tolerated(trend.rig_file.rig, name, rises=found.rises)
    if limit is None:
        return ""
    shown, now = SHOWN[name], found.change.now.value
    told = f"{shown.value(limit)}, as far as this rig tolerates it before it counts as evidence"
    if (now - limit) * (1.0 if found.rises else -1.0) >= 0.0:
        return f"that is beyond {told}"
    when = found.change.reaches(limit)
    if when is None:
        left = abs(limit - now)
        return f"{shown.value(left)} are left to {told}"
    last = found.change.last_day
    value, low, high = (day - last for day in when)
    if not trend.dated:
        ends = f"{low:z.0f} to {high:z.0f}" if high < inf else f"{low:z.0f} or more"
        return f"at this pace it reaches {told}, in about {value:z.0f} sessions ({ends})"
    days = [_day_after(last, ahead) for ahead in (value, low, high)]
    if days[0] is None:
        return f"at this pace it takes years to reach {told}"
    ends = f"{days[1]} to {days[2]}" if days[2] is not None else f"{days[1]} or later"
    return f"at this pace it reaches {told}, about {days[0]} ({ends})"


def _day_after(last: float, ahead: float) -> date | None:
    return date.fromordinal(int(last + ahead)) if ahead < 3650.0 else None


def _back_in_words(trend: Trend, season: Season, number: int, begins: str) -> Iterator[str]:
    before = season.spans[number - 1]
    name = before.main or next((one for one in SHOWN if one in season.numbers), "")
    back = back_after(season, number, name) if name else None
    if back is None:
        return
    shown = SHOWN[name]
    if back.loss == 0.0:
        how = "as before" if back.back else "not as before"
        yield f"{begins}{shown.name} is {how}: {shown.by(back.by)}"
        return
    how = {True: "is back", False: "is NOT back", None: "may be back: too early to say"}[back.back]
    loss = f"{shown.per * back.loss:+z.{shown.decimals}f} {shown.unit}"
    yield (
        f"{begins}{shown.name} {how}: it had changed by {loss}, and stands at "
        f"{shown.by(back.by)} to what it was before that"
    )


def _foot(season: Season) -> Iterator[str]:
    years = FALSE_EVERY / 52.0
    yield (
        f"False alarms: one in {FALSE_EVERY:z.0f} sessions ({years:z.0f} years of weekly ones), "
        f"all {len(directions(season.numbers))} tests together, also where a session keeps up to "
        f"{HELD:z.1f} of what the one before was off by (weather, a batch of fluid); where it "
        "keeps more, oftener: hold it against the plot. In brackets: intervals of 90 %"
    )
