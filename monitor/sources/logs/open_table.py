"""A log's own columns, whatever is in them, for whoever has no rig yet to read it by."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from math import nan
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pyarrow as pa
from pyarrow import csv as pacsv

from monitor.sources.lines.columns import numbered, place_of
from monitor.sources.lines.device_time import DeviceTime
from monitor.sources.lines.unit_row import stated_unit
from monitor.sources.logs.arrow_file import ArrowFile
from monitor.sources.logs.bounded_lines import FIELDS
from monitor.sources.logs.coarse_time import spread
from monitor.sources.logs.column_parts import ColumnParts
from monitor.sources.logs.csv_batches import csv_batches
from monitor.sources.logs.csv_blocks import BLOCK_BYTES
from monitor.sources.logs.csv_layout import read_layout
from monitor.sources.logs.file_kind import kind_of
from monitor.sources.logs.find_time import TimeFound, find_time
from monitor.sources.logs.own_clock import counted_from
from monitor.sources.logs.table_blocks import MOST_ROWS
from monitor.sources.rows import Rows
from rules.channels import LATE_S
from simulator.rig import TimeMap
from simulator.strict import BadInput, called, clean

LONGEST_ROWS: Final = 360_000  # looked at: an hour at 100 rows a second
MOST_CELLS: Final = 8_000_000  # looked at: 64 MB of numbers
_GAP_STEPS: Final = 5.0  # so many times the usual step, and it is a gap


@dataclass(frozen=True, slots=True)
class TableColumn:
    """One column, as far as it was looked at.

    Attributes:
        name: As the header has it; empty where it has none.
        rig_name: How a rig names it: ``Flow#2`` is the second of that name.
        unit: What the log states, as written, in a row of units or in brackets; empty where it
            states none.
        values: (n,) of the rows looked at; NaN where nothing was sent, or text. Clock times are
            seconds from the first.
        is_clock: Whether it holds clock times.
        numbers: How many numbers, or clock times, it holds.
        low: The smallest of these; NaN where there is none.
        high: The largest.
        blank: Share of rows in which nothing was sent, 0 to 1.
        text: Share of rows with text in place of a number, 0 to 1.
        first_text: The first of these texts, as written; empty where there is none.
        resolution: The smallest step between two of its values; NaN where they are all one.
        rate_hz: How often it was sent, gaps left out; NaN where nothing tells the log's time.
    """

    name: str
    rig_name: str
    unit: str
    values: Rows
    is_clock: bool
    numbers: int
    low: float
    high: float
    blank: float
    text: float
    first_text: str
    resolution: float
    rate_hz: float


@dataclass(frozen=True, slots=True)
class Table:
    """A log's columns.

    Attributes:
        path: The log.
        columns: In its order.
        time: What tells its time, and why.
        time_s: (n,) seconds from the first row, of those looked at; NaN where a row has none; empty
            where nothing tells time.
        lasts_s: From the first row to the last, of all that were counted; NaN where nothing tells
            time.
        steps_back: How often the log's clock steps back, as where it starts again; then ``lasts_s``
            is the time between, gaps included.
        row_hz: Rows a second; NaN where nothing tells time.
        starts: When it starts by its own clock, as written; empty where it has none.
        rows: How many were counted.
        is_whole: Whether these are all there are; else they are the first.
        left_out: Rows with another number of fields than the header, passed over.
        remark: What was made of its times, in a sentence; empty where nothing was.
    """

    path: Path
    columns: tuple[TableColumn, ...]
    time: TimeFound
    time_s: Rows
    lasts_s: float
    steps_back: int
    row_hz: float
    starts: str
    rows: int
    is_whole: bool
    left_out: int
    remark: str


class _Source(NamedTuple):
    """A file's header, its batches of columns in that order, and what to raise without any.

    ``where`` is how messages call its rows; ``rejected`` counts rows passed over, as the batches
    come.
    """

    where: str

    names: Sequence[str]
    units: Sequence[str]
    decimal_point: str
    batches: Iterator[Sequence[pa.Array]]
    no_rows: BadInput
    rejected: Counter[str]


def open_table(path: Path, time: TimeMap | None = None, *, whole: bool = False) -> Table:
    """Read a log's columns: CSV, Parquet or Arrow IPC.

    Of a long log the first ``LONGEST_ROWS`` rows are looked at, fewer where it has more columns
    than 22 (``MOST_CELLS``).

    Args:
        path: The log.
        time: What its time is, as a rig says it; None to find it.
        whole: Whether the rows behind those are counted, too, in memory that stays the same.

    Raises:
        BadInput: It can't be read, holds no rows, its dates may be read in two ways, or it has not
            the time it is said to have.
    """
    source = _of_csv(path) if kind_of(path) is None else _of_arrow(path)
    names = source.names
    parts = [
        ColumnParts(f"{source.where}: {clean(name, 24)}", source.decimal_point) for name in names
    ]
    batches = _readable(path, source.batches)
    rows, rest = _look(parts, batches)
    if not rows:
        raise source.no_rows
    values = [part.values() for part in parts]
    units = [stated_unit(name, unit) for name, unit in zip(names, source.units, strict=True)]
    if time is None:
        clocks = [index for index, part in enumerate(parts) if part.clock is not None]
        found = find_time(names, units, values, clocks)
    else:
        found = _told(path, names, time)
    starts, remarks = "", []
    times = _Times(1.0)
    time_s: Rows = np.empty(0)
    if found.column is not None:
        part = parts[found.column]
        if part.fault is not None:
            raise part.fault
        if part.clock is None:
            times = _Times(TimeMap(unit=found.unit).factor)
        else:
            starts, remarks = part.clock.starts, [part.clock.remark]
        time_s = times.of_first(values[found.column], remarks.append)
        starts = starts or counted_from(times.starts_s, is_moment=part.are_moments).starts
        if not np.isfinite(time_s).any():
            name = clean(names[found.column], 24)
            raise BadInput(f"{source.where}: {name}: found no time in this column, expected some")
    elif time is not None:
        time_s = time.period_s * np.arange(rows, dtype=float)
        times.count(time_s)
    else:
        for part in parts:
            if part.fault is not None:
                raise part.fault
    is_whole = not rest
    if rest and whole:
        is_whole = True
        for columns in chain([rest], batches):
            numbers = [
                part.take(cells, keep=False) for part, cells in zip(parts, columns, strict=True)
            ]
            if found.column is not None:
                times.follow(numbers[found.column])
            elif time is not None:
                times.count(time.period_s * np.arange(rows, rows + len(columns[0]), dtype=float))
            rows += len(columns[0])
    rising_s = np.diff(time_s[np.isfinite(time_s)])
    rising_s = rising_s[rising_s > 0.0]
    return Table(
        path,
        tuple(
            _column(name, rig_name, unit, numbers, part, rows, time_s)
            for name, rig_name, unit, numbers, part in zip(
                names, numbered(names), units, values, parts, strict=True
            )
        ),
        found,
        time_s,
        lasts_s=times.lasts_s,
        steps_back=times.steps_back,
        row_hz=1.0 / float(np.median(rising_s)) if len(rising_s) else nan,
        starts=starts,
        rows=rows,
        is_whole=is_whole,
        left_out=source.rejected[FIELDS],
        remark="; ".join(filter(None, remarks)),
    )


def _column(
    name: str,
    rig_name: str,
    unit: str,
    values: Rows,
    part: ColumnParts,
    rows: int,
    time_s: Rows,
) -> TableColumn:
    return TableColumn(
        name,
        rig_name,
        unit,
        values,
        is_clock=part.clock is not None,
        numbers=part.numbers,
        low=part.low if part.numbers else nan,
        high=part.high if part.numbers else nan,
        blank=part.blanks / rows,
        text=part.texts / rows,
        first_text=part.first_text,
        resolution=_resolution(values),
        rate_hz=_rate_hz(values, time_s),
    )


class _Times:
    """A log's times from its first row on.

    Args:
        factor: Seconds in one of its column's unit.

    Attributes:
        starts_s: The first of them, as its column counts.
        steps_back: See ``Table``.
    """

    def __init__(self, factor: float) -> None:
        self._factor = factor
        self._device = DeviceTime(factor)
        self.starts_s = 0.0
        self._first_s = self._newest_s = nan
        self._passed_s = 0.0
        self.steps_back = 0

    def of_first(self, raw: Rows, tell: Callable[[str], None]) -> Rows:
        """Return times of the first rows, continuous and spread; tell where they were spread."""
        usable = np.isfinite(raw)
        times_s = self._device.follow_block(raw[usable] * self._factor)
        blocks = list(spread([times_s[:, np.newaxis]], tell)) if len(times_s) else []
        from_start_s = np.full(len(raw), nan)
        if blocks:
            spread_s = np.concatenate(blocks)[:, 0]
            self.starts_s = float(spread_s[0])
            from_start_s[usable] = spread_s - self.starts_s
            self.count(from_start_s[usable])
        return from_start_s

    def follow(self, raw: Rows) -> None:
        """Count further rows, whose times stay as coarse as they are."""
        usable = raw[np.isfinite(raw)]
        self.count(self._device.follow_block(usable * self._factor) - self.starts_s)

    def count(self, times_s: Rows) -> None:
        """Count rows by their times, all of them numbers."""
        if not len(times_s):
            return
        steps_s = np.diff(times_s, prepend=self._newest_s)
        self.steps_back += int(np.count_nonzero(steps_s < -LATE_S))
        self._passed_s += float(steps_s[steps_s > 0.0].sum())
        self._first_s = times_s[0] if np.isnan(self._first_s) else self._first_s
        self._newest_s = times_s[-1]

    @property
    def lasts_s(self) -> float:
        """See ``Table``."""
        return self._passed_s if self.steps_back else float(self._newest_s - self._first_s)


def _of_csv(path: Path) -> _Source:
    layout = read_layout(path, None)
    count = len(layout.names)
    words = (*layout.words, *[""] * count)[:count]
    kinds = dict.fromkeys(range(count), pa.string())
    rejected: Counter[str] = Counter()

    def skip(_row: pacsv.InvalidRow) -> str:
        rejected[FIELDS] += 1
        return "skip"

    batches = csv_batches(path, layout, kinds, BLOCK_BYTES, skip)
    columns = (batch.columns for batch in batches)
    no_rows = layout.no_rows(path)
    where = f"{called(path)}:{layout.lines_before_data + 1}"
    return _Source(where, layout.names, words, layout.decimal_point, columns, no_rows, rejected)


def _of_arrow(path: Path) -> _Source:
    file = ArrowFile(path, MOST_ROWS)
    names = [name.strip() for name in file.schema.names]
    batches = file.batches(range(len(names)))
    no_rows = BadInput(f"{called(path)}: found no rows, expected some")
    columns = (batch.columns for batch in batches)
    return _Source(called(path), names, file.units, ".", columns, no_rows, Counter())


def _readable(path: Path, batches: Iterator[Sequence[pa.Array]]) -> Iterator[Sequence[pa.Array]]:
    """Yield a file's batches.

    Raises:
        BadInput: It can't be read on.
    """
    try:
        yield from batches
    except (pa.ArrowException, OSError, UnicodeError) as error:
        raise BadInput(
            f"{called(path)}: found {clean(str(error), 120)}, expected a readable log"
        ) from None


def _look(
    parts: Sequence[ColumnParts], batches: Iterator[Sequence[pa.Array]]
) -> tuple[int, Sequence[pa.Array]]:
    """Read as many rows as are looked at; return how many, and what is left of the last batch."""
    most = min(LONGEST_ROWS, MOST_CELLS // len(parts))
    rows = 0
    for columns in batches:
        count = min(len(columns[0]), most - rows)
        for part, cells in zip(parts, columns, strict=True):
            part.take(cells.slice(0, count))
        rows += count
        if count < len(columns[0]):
            return rows, [cells.slice(count) for cells in columns]
    return rows, []


def _told(path: Path, names: Sequence[str], time: TimeMap) -> TimeFound:
    """Return the time that a rig says."""
    if time.counts_rows:
        return TimeFound(None, time.unit, "as told", is_sure=True)
    index = place_of(names, time.column)
    if index >= 0:
        return TimeFound(index, time.unit, "as told", is_sure=True)
    raise BadInput(
        f'{called(path)}: found {len(names)} columns, none called "{clean(time.column)}", '
        "expected one of them for the time"
    )


def _resolution(values: Rows) -> float:
    steps = np.diff(np.unique(values[np.isfinite(values)]))
    # Two spellings of one number differ by rounding.
    steps = steps[steps > 1e-9 * np.nanmax(np.abs(values))] if len(steps) else steps
    return float(steps.min()) if len(steps) else nan


def _rate_hz(values: Rows, time_s: Rows) -> float:
    if not len(time_s):
        return nan
    steps_s = np.diff(time_s[np.isfinite(values) & np.isfinite(time_s)])
    steps_s = steps_s[steps_s > 0.0]
    if not len(steps_s):
        return nan
    return 1.0 / float(np.mean(steps_s[steps_s <= _GAP_STEPS * np.median(steps_s)]))
