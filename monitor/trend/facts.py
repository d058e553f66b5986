"""A trend as plain JSON types: metric, shares as such, times in s, days as dates."""

from datetime import date
from math import isfinite
from typing import Any

from monitor.trend.gathered import Row, Trend
from monitor.trend.words import tolerated
from simulator.trend.change import Interval
from simulator.trend.fault import causes_of
from simulator.trend.season import FALSE_EVERY, SUPPLY, Found, Span, back_after
from simulator.trend.sessions import Measured


def as_json(trend: Trend) -> dict[str, Any]:
    """Return a trend as plain JSON types."""
    season = trend.season
    spans = () if season is None else season.spans
    return {
        "rig": trend.rig_file.rig.name,
        "dated": trend.dated,
        "bands_kpa": list(trend.edges_kpa),
        "sessions": [_row(trend, number, row) for number, row in enumerate(trend.rows)],
        "serviced": [
            {"day": _day(one.day), "what": one.what, "first_session": one.at}
            for one in trend.services
        ],
        "spans": [_span(trend, number, span) for number, span in enumerate(spans)],
        "false_alarm_every_sessions": FALSE_EVERY,
        "not_judged": trend.refused,
    }


def _row(trend: Trend, number: int, row: Row) -> dict[str, Any]:
    one = row.session
    season = trend.season
    numbers = {} if season is None else season.numbers
    return {
        "source": row.name,
        "day": _day(row.day.day),
        "day_by": row.day.by if row.day.day is not None else None,
        "sprayed_s": one.sprayed_s,
        "flow": [_measured(band) for band in one.flow],
        "line": [_measured(band) for band in one.line],
        "supply_v": _measured(one.supply_v),
        "delay_s": one.delay_s,
        "lag_s": one.lag_s,
        "over_all_bands": {name: _finite(float(all_[number])) for name, all_ in numbers.items()},
        "worst_action": row.worst.word,
    }


def _span(trend: Trend, number: int, span: Span) -> dict[str, Any]:
    season = trend.season
    back = {}
    if season is not None and number:
        told = {name: back_after(season, number, name) for name in season.numbers}
        back = {
            name: {"loss": one.loss, "by": one.by._asdict(), "back": one.back}
            for name, one in told.items()
            if one is not None
        }
    supply_v = span.usual.get(SUPPLY, (12.0, 0.0))[0]
    return {
        "first_session": span.first,
        "sessions": span.end - span.first,
        "counted": span.counted,
        "wanted": span.wanted,
        "usual": {n: {"mean": m, "scatter": _finite(s)} for n, (m, s) in span.usual.items()},
        "nearest": span.nearest,
        "found": {name: _found(trend, name, one) for name, one in span.found.items()},
        "beside": {name: by._asdict() for name, by in span.beside.items()},
        "likely": list(causes_of(span.beside, span.main, supply_v)) if span.found else [],
        "against_before": back,
    }


def _found(trend: Trend, name: str, found: Found) -> dict[str, Any]:
    change = found.change
    limit = tolerated(trend.rig_file.rig, name, rises=found.rises)
    reaches = None if limit is None else change.reaches(limit)
    return {
        "rises": found.rises,
        "told_in_session": found.at,
        "confidence": found.sure,
        "correlation_before": found.together,
        "gradual": change.gradual,
        "since": _when(trend, change.since),
        "returned_in_session": found.returned,
        "before": change.before._asdict(),
        "now": change.now._asdict(),
        "by": change.by._asdict(),
        "per_day" if trend.dated else "per_session": change.per_day._asdict(),
        "tolerated": limit,
        "reaches_that": None if reaches is None else _when(trend, reaches),
    }


def _when(trend: Trend, when: Interval) -> dict[str, Any]:
    """Return days as dates, or numbers of sessions; null where never."""
    if not trend.dated:
        return {name: _finite(value) for name, value in when._asdict().items()}
    most = date.max.toordinal()
    return {
        name: _day(date.fromordinal(int(value))) if value < most else None
        for name, value in when._asdict().items()
    }


def _measured(one: Measured | None) -> dict[str, Any] | None:
    return None if one is None else one._asdict()


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None
