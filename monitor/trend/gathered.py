"""Logs that were read, in order of their days, with the services between them."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from monitor.trend.days import Day, day_in, days_of
from monitor.trend.reading import Reading
from rules.facts import Action
from simulator.rig import RigFile
from simulator.strict import BadInput, clean
from simulator.trend.season import Season, numbers_of, season_of
from simulator.trend.sessions import Session

SERVICED: Final = 'DATE=WHAT, such as "2026-05-14=nozzle cleaned"; or a log\'s name for the date'
_ASIDE: Final = 0.01  # of a day: sessions of one day stand so far apart


@dataclass(frozen=True, slots=True)
class Row:
    """A log that tells something.

    Attributes:
        name: What it is called.
        day: Its day.
        session: Its numbers.
        worst: The worst action a guard asks for in it.
    """

    name: str
    day: Day
    session: Session
    worst: Action


@dataclass(frozen=True, slots=True)
class Service:
    """What was done to the car.

    Attributes:
        at: Number of the first session behind it.
        day: When; None where a log was named instead.
        what: What, as given.
    """

    at: int
    day: date | None
    what: str


@dataclass(frozen=True, slots=True)
class Trend:
    """A season of logs.

    Attributes:
        rig_file: The rig that judged all.
        edges_kpa: Of the boost bands.
        rows: In order of time.
        dated: Whether each has a day; else their order counts.
        services: In order.
        refused: Logs that tell nothing: name to why.
        season: What they say together; None without a session.
    """

    rig_file: RigFile
    edges_kpa: tuple[float, ...]
    rows: tuple[Row, ...]
    dated: bool
    services: tuple[Service, ...]
    refused: dict[str, str]
    season: Season | None


def gathered(
    rig_file: RigFile,
    edges_kpa: tuple[float, ...],
    logs: Sequence[tuple[Path, str, Reading]],
    serviced: Sequence[str],
) -> Trend:
    """Put logs in order of their days and hold them against each other.

    Args:
        rig_file: The rig that judged all.
        edges_kpa: Of the boost bands.
        logs: Path, what it is called, and what it came to, in the order given.
        serviced: Services, each as ``SERVICED``.

    Raises:
        BadInput: A service can't be read, or is of no day among these logs.
    """
    told = [one for one in logs if one[2].session is not None]
    refused = {name: reading.refused for _, name, reading in logs if reading.session is None}
    days = days_of([path for path, _, _ in told], [reading.starts for _, _, reading in told])
    dated = all(one.day is not None for one in days)
    rows = [
        Row(name, day, reading.session, reading.worst)
        for (_, name, reading), day in zip(told, days, strict=True)
        if reading.session is not None
    ]
    if dated:
        rows.sort(key=lambda row: row.day.day or date.min)
    services = sorted((_service(text, rows, dated=dated) for text in serviced), key=_at)
    season = None
    numbers = numbers_of([row.session for row in rows]) if rows else {}
    if numbers:
        cuts = sorted({one.at for one in services if 0 < one.at < len(rows)})
        season = season_of(numbers, _axis(rows, dated=dated), cuts)
    return Trend(rig_file, edges_kpa, tuple(rows), dated, tuple(services), refused, season)


def _at(one: Service) -> tuple[int, date]:
    return one.at, one.day or date.min


def _axis(rows: Sequence[Row], *, dated: bool) -> list[float]:
    """Return when each session was: days, or its number."""
    if not dated:
        return [float(i) for i in range(len(rows))]
    axis: list[float] = []
    for row in rows:
        day = float(row.day.day.toordinal()) if row.day.day is not None else 0.0
        axis.append(max(day, axis[-1] + _ASIDE) if axis else day)
    return axis


def check_services(serviced: Sequence[str], names: Sequence[str]) -> None:
    """Look at services before any log is read.

    Args:
        serviced: Services, each as ``SERVICED``.
        names: What the logs are called.

    Raises:
        BadInput: One has no day, nor the name of a log, or doesn't say what was done.
    """
    for text in serviced:
        when, what = _parts(text)
        if not what or (when not in names and day_in(when) is None):
            raise BadInput(f'--serviced: found "{clean(text, 60)}", expected {SERVICED}')


def _parts(text: str) -> tuple[str, str]:
    """Return when a service was, and what was done."""
    when, _, what = (part.strip() for part in text.partition("="))
    return when, clean(what, 60)


def _service(text: str, rows: Sequence[Row], *, dated: bool) -> Service:
    """Return a service as it was given.

    Raises:
        BadInput: Its log tells nothing, or it has a day where logs have none.
    """
    when, told = _parts(text)
    for number, row in enumerate(rows):
        if row.name == when:
            return Service(number, row.day.day, told)
    day = day_in(when)
    if day is not None and dated:
        ordinals: list[Any] = [row.day.day for row in rows]
        return Service(bisect_left(ordinals, day), day, told)
    if day is not None:
        raise BadInput(
            f'--serviced: found "{clean(text, 60)}" with logs of which some have no date, '
            "expected the name of the first log behind it in place of the date"
        )
    raise BadInput(f'--serviced: found "{clean(text, 60)}", expected a log that tells something')
