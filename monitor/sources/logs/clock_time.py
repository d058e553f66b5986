"""A column of clock times, with or without dates, as seconds from its first."""

from typing import Any, Final

import numpy as np
import pyarrow as pa
from pyarrow import compute as pc

from monitor.sources.logs.cell_words import CLOCK
from monitor.sources.logs.own_clock import OwnClock
from monitor.sources.rows import Rows
from simulator.strict import BadInput, clean

_NS: Final = 1_000_000_000
_HOUR_S: Final = 3600
_DAY_S: Final = 24 * _HOUR_S
_Date = tuple[int, int, int]  # as its three numbers stand


class ClockTime:
    """Reads one column's cells, in the order of the file.

    Times without a date go on over midnight, those in minutes and seconds over the full hour. A
    date is year first, or day first with dots. With strokes or slashes and the year last, day or
    month come first: that is told by a number above 12, or by the day that follows at midnight; and
    while the date stays the same it doesn't matter.

    Args:
        where: How messages call the column.

    Attributes:
        starts: The first usable cell, as written; empty before.
        unread: Cells that were no such time.
        remark: What may be doubted about the first, in a sentence; empty where nothing is.
    """

    def __init__(self, where: str) -> None:
        self._where = where
        self.starts = self.remark = ""
        self.unread = 0
        self._is_dated = False
        self._wraps_ns = 0  # after how long times without a date begin again
        self._start_ns = 0  # in its day
        self._start_date: _Date = (0, 0, 0)
        self._newest_date: _Date = (0, 0, 0)
        self._day_first: bool | None = None
        self._newest_ns = 0
        self._ahead_ns = 0  # gone by at midnights

    @property
    def own(self) -> OwnClock:
        """What stood on it at the first usable cell."""
        return OwnClock(self.starts, self._start_ns / _NS, self._wraps_ns / _NS)

    def follow(self, cells: pa.Array) -> Rows:
        """Return the seconds from the first usable cell on; NaN for whatever is no such time.

        Args:
            cells: Text; null where nothing was sent.

        Raises:
            BadInput: The dates may be read in two ways.
        """
        fields = pc.extract_regex(cells, f"^{CLOCK}$")
        in_day_ns, usable, is_short = _in_day_ns(fields)
        has_date = _numbers(fields, "third") >= 0
        if not self.starts and usable.any():
            first = int(np.argmax(usable))
            self.starts = clean(cells[first].as_py().strip())
            if is_short[first]:
                self.remark = f"time such as {self.starts} is read as minutes and seconds"
            self._is_dated = bool(has_date[first])
            self._wraps_ns = (_HOUR_S if is_short[first] else _DAY_S) * _NS
            self._start_ns = self._newest_ns = int(in_day_ns[first])
            dates = [_numbers(fields, name)[first] for name in ("first", "second", "third")]
            self._start_date = self._newest_date = (int(dates[0]), int(dates[1]), int(dates[2]))
        usable &= has_date == self._is_dated
        if self._is_dated:
            days, has_day = self._days(fields, usable)
            usable &= has_day
            in_day_ns += days * (_DAY_S * _NS)
        else:
            in_day_ns[usable] += self._gone_by_ns(in_day_ns[usable])
        self.unread += int(np.count_nonzero(~usable)) - cells.null_count
        return np.where(usable, (in_day_ns - self._start_ns) / _NS, np.nan)

    def _gone_by_ns(self, times_ns: Any) -> Any:
        """Return what to add to times without a date, which begin again at midnight."""
        steps_ns = np.diff(times_ns, prepend=self._newest_ns)
        ahead_ns = np.full(len(times_ns), self._ahead_ns)
        for at in np.flatnonzero(2 * np.abs(steps_ns) > self._wraps_ns):
            # Back by more than half a day; and ahead again where a row from before came late.
            if steps_ns[at] < 0:
                self._ahead_ns += self._wraps_ns
            elif self._ahead_ns:
                self._ahead_ns -= self._wraps_ns
            ahead_ns[at:] = self._ahead_ns
        if len(times_ns):
            self._newest_ns = int(times_ns[-1])
        return ahead_ns

    def _days(self, fields: pa.Array, usable: Any) -> tuple[Any, Any]:
        """Return each row's days since the first's, and whether there is such a day."""
        parts = np.stack([_numbers(fields, name) for name in ("first", "second", "third")])
        is_dotted = _is(fields, "between", ".")
        if self._day_first is None and not is_dotted.all() and (parts[0] < 100).any():
            self._find_order(parts[:, usable])
        day_first = is_dotted | (self._day_first is not False)
        days, is_day = _day_numbers(parts, day_first)
        start = np.array(self._start_date)[:, np.newaxis]
        return days - _day_numbers(start, day_first[:1])[0][0], is_day

    def _find_order(self, parts: Any) -> None:
        """Find out whether days or months come first, where these dates tell."""
        if (parts[0] > 12).any() or (parts[1] > 12).any():
            self._day_first = bool((parts[0] > 12).any())
            return
        newest = np.array(self._newest_date)[:, np.newaxis]
        dates = np.hstack([newest, parts])
        dates = dates[:, np.insert((np.diff(dates) != 0).any(axis=0), 0, True)]
        self._newest_date = tuple(dates[:, -1].tolist())
        if dates.shape[1] == 1:
            return
        follow = [
            (np.diff(_day_numbers(dates, np.array([day_first]))[0]) == 1).all()
            for day_first in (True, False)
        ]
        if follow[0] == follow[1]:
            shown = " and ".join("/".join(map(str, date)) for date in dates[:, :2].T.tolist())
            raise BadInput(
                f"{self._where}: found dates such as {shown}, where day or month may come first, "
                "expected such as 2024-03-12 or 12.03.2024"
            )
        self._day_first = bool(follow[0])


def _in_day_ns(fields: pa.Array) -> tuple[Any, Any, Any]:
    """Return each row's time in its day, whether it is one, and whether it has two fields only."""
    hours, minutes, seconds = (_numbers(fields, name) for name in "hms")
    has_date = _numbers(fields, "third") >= 0
    is_short = (seconds < 0) & ~has_date & _is(fields, "half", "")
    hours, minutes, seconds = (
        np.where(is_short, 0, hours),
        np.where(is_short, hours, minutes),
        np.where(is_short, minutes, np.maximum(seconds, 0)),
    )
    usable = (hours >= 0) & (minutes >= 0) & ((minutes < 60) | is_short) & (seconds < 61)
    halves = pc.ascii_lower(pc.struct_field(fields, "half"))
    if not _is(fields, "half", "").all():
        is_pm = _true(pc.equal(halves, "pm"))
        half = is_pm | _true(pc.equal(halves, "am"))
        usable &= ~half | ((hours >= 1) & (hours <= 12))
        hours = np.where(half, hours % 12 + 12 * is_pm, hours)
    fraction = pc.utf8_rpad(pc.struct_field(fields, "fraction"), 9, "0")
    fraction_ns = pc.fill_null(pc.cast(fraction, pa.int64()), 0).to_numpy(zero_copy_only=False)
    whole_s = hours * _HOUR_S + minutes * 60 + seconds - _zone_s(fields)
    return whole_s * _NS + fraction_ns, usable, is_short


def _zone_s(fields: pa.Array) -> Any:
    """Return how far each row's clock is ahead of UTC; nought where it doesn't say."""
    zones = pc.dictionary_encode(pc.fill_null(pc.struct_field(fields, "zone"), ""))
    ahead_s = [
        (-1 if zone[0] == "-" else 1) * (int(zone[1:3]) * _HOUR_S + int(zone[-2:]) * 60)
        if zone not in {"", "Z"}
        else 0
        for zone in zones.dictionary.to_pylist()
    ]
    return np.array(ahead_s, np.int64)[zones.indices.to_numpy()]


def _day_numbers(parts: Any, day_first: Any) -> tuple[Any, Any]:
    """Return the days of dates since 1970, and whether there are such days.

    Args:
        parts: (3, n), their numbers as they stand.
        day_first: (n,), whether a date with its year last has its day first.
    """
    first, second, third = parts
    year_first = first >= 100
    years = np.where(year_first, first, np.where(third < 100, 2000 + third, third))
    months = np.where(year_first | day_first, second, first)
    days = np.where(year_first, third, np.where(day_first, first, second))
    # Four digits at most, so that no date overflows.
    since = (years - 1970) * 12 + np.clip(months, 1, 12) - 1
    month = since.astype("datetime64[M]")
    date = month.astype("datetime64[D]") + (days - 1)
    is_day = (months >= 1) & (months <= 12) & (days >= 1) & (date.astype("datetime64[M]") == month)
    return date.astype(np.int64), is_day


def _numbers(fields: pa.Array, name: str) -> Any:
    """Return a group's numbers; -1 where it isn't there."""
    text = pc.struct_field(fields, name)
    number = pc.cast(pc.if_else(pc.equal(text, ""), "-1", text), pa.int64())
    return pc.fill_null(number, -1).to_numpy(zero_copy_only=False)


def _is(fields: pa.Array, name: str, text: str) -> Any:
    return _true(pc.equal(pc.struct_field(fields, name), text))


def _true(values: pa.Array) -> Any:
    return pc.fill_null(values, False).to_numpy(zero_copy_only=False)
