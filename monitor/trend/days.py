"""On which day each log was driven: by a session's own note, a log's clock, or a file's name."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

from monitor.recorder.reader import is_session, read_about
from simulator.strict import BadInput, clean

_YEAR_FIRST: Final = re.compile(r"(?<!\d)((?:19|20)\d\d)([-_.]?)([01]\d)\2([0-3]\d)(?!\d)")
_CLOCK: Final = re.compile(r"(\d{1,4})([-./])(\d{1,2})\2(\d{1,4})[T _,]")
_UNIX_S: Final = re.compile(r"([1-3]\d{9})(?:\.\d+)? s")  # 2001 to 2096
BY_ORDER: Final = "no date"


@dataclass(frozen=True, slots=True)
class Day:
    """A log's day.

    Attributes:
        day: The day; None: nothing tells.
        by: What tells it.
    """

    day: date | None
    by: str = BY_ORDER


def days_of(paths: Sequence[Path], starts: Sequence[str]) -> list[Day]:
    """Return each log's day.

    Args:
        paths: Logs, or sessions' folders.
        starts: When each begins by its own clock, as written; empty where it has none.

    Dates with slashes and the year last are read day first or month first, as one of them tells;
    where none does they aren't read.
    """
    day_first = _day_first(starts)
    return [_day(path, text, day_first) for path, text in zip(paths, starts, strict=True)]


def started(path: Path) -> str:
    """Return when a session began, as it notes it; empty: it doesn't."""
    try:
        return clean(str(read_about(path).get("started", "")), 32)
    except BadInput:
        return ""


def day_in(text: str) -> date | None:
    """Return the day, year first, that a text names; None: none."""
    found = _YEAR_FIRST.search(text)
    return None if found is None else _date(int(found[1]), int(found[3]), int(found[4]))


def _day(path: Path, starts: str, day_first: bool | None) -> Day:
    if is_session(path):
        day = day_in(started(path))
        return Day(day, "the session's note") if day is not None else Day(None)
    day = _by_clock(starts, day_first)
    if day is not None:
        return Day(day, "the log's clock")
    day = day_in(path.name)
    if day is not None:
        return Day(day, "the file's name")
    day = _by_unix_time(starts)  # in UTC: a name may know the car's own day better
    return Day(day, "the log's clock, as Unix time") if day is not None else Day(None)


def _by_unix_time(starts: str) -> date | None:
    """Return the day of a count of seconds since 1970 (POSIX.1, section 4.19), from 2001 on."""
    found = _UNIX_S.fullmatch(starts)
    return None if found is None else datetime.fromtimestamp(int(found[1]), UTC).date()


def _by_clock(starts: str, day_first: bool | None) -> date | None:
    found = _CLOCK.match(starts)
    if found is None:
        return None
    first, middle, last = int(found[1]), int(found[3]), int(found[4])
    if len(found[1]) == 4:
        return _date(first, middle, last)
    if found[2] == ".":
        return _date(last, middle, first)
    if day_first is None:
        return None
    return _date(last, middle, first) if day_first else _date(last, first, middle)


def _day_first(starts: Sequence[str]) -> bool | None:
    """Return whether days come first in dates with the year last; None where none tells."""
    found = [match for text in starts if (match := _CLOCK.match(text)) and len(match[1]) < 4]
    if any(int(one[1]) > 12 for one in found):
        return True
    return False if any(int(one[3]) > 12 for one in found) else None


def _date(year: int, month: int, day: int) -> date | None:
    try:
        return date(year if year >= 100 else 2000 + year, month, day)
    except ValueError:
        return None
