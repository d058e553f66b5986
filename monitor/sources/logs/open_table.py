"""A log's own columns, whatever is in them, for whoever has no rig yet to read it by."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import nan
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pyarrow as pa
from pyarrow import csv as pacsv

from monitor.sources.lines.columns import numbered
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
from monitor.sources.logs.table_blocks import MOST_ROWS
from monitor.sources.rows import Rows
from simulator.rig import TimeMap
from simulator.strict import BadInput, called, clean

LONGEST_ROWS: Final = 360_000  # looked at: an hour at 100 rows a second
MOST_CELLS: Final = 8_000_000  # looked at: 64 MB of numbers


@dataclass(frozen=True, slots=True)
class TableColumn:
    """One column, as far as it was looked at.

    Attributes:
        name: As the header has it; empty where it has none.
        rig_name: How a rig names it: ``Flow#2`` is the second of that name.
        unit: What the log states, as written, in a row of units or in brackets; empty where it
            states none.
        values: (n,); NaN where nothing was sent, or text. Clock times are seconds from the first.
        is_clock: Whether it holds clock times.
        blank: Share of rows in which nothing was sent, 0 to 1.
        text: Share of rows with text in place of a number, 0 to 1.
        resolution: The smallest step between two of its values; NaN where they are all one.
        rate_hz: How often it was sent; NaN where nothing tells the log's time.
    """

    name: str
    rig_name: str
    unit: str
    values: Rows
    is_clock: bool
    blank: float
    text: float
    resolution: float
    rate_hz: float


@dataclass(frozen=True, slots=True)
class Table:
    """A log's columns.

    Attributes:
        path: The log.
        columns: In its order.
        time: What tells its time, and why.
        time_s: (n,) seconds from the first row, NaN where a row has none; empty where nothing
            tells time.
        row_hz: Rows a second; NaN where nothing tells time.
        starts: When it starts by its own clock, as written; empty where it has none.
        rows: How many were looked at.
        is_whole: Whether these are all there are; else they are the first.
        left_out: Rows with another number of fields than the header, passed over.
        remark: What was made of its times, in a sentence; empty where nothing was.
    """

    path: Path
    columns: tuple[TableColumn, ...]
    time: TimeFound
    time_s: Rows
    row_hz: float
    starts: str
    rows: int
    is_whole: bool
    left_out: int
    remark: str


class _Source(NamedTuple):
    """A file's header, its batches of columns in that order, and what to raise without any.

    ``rejected`` counts rows passed over, as the batches come.
    """

    names: Sequence[str]
    units: Sequence[str]
    decimal_point: str
    batches: Iterator[Sequence[pa.Array]]
    no_rows: BadInput
    rejected: Counter[str]


def open_table(path: Path, time: TimeMap | None = None) -> Table:
    """Read a log's columns: CSV, Parquet or Arrow IPC.

    Of a long log the first ``LONGEST_ROWS`` rows are looked at, fewer where it has more columns
    than 22 (``MOST_CELLS``).

    Args:
        path: The log.
        time: What its time is, as a rig says it; None to find it.

    Raises:
        BadInput: It can't be read, holds no rows, its dates may be read in two ways, or it has not
            the time it is said to have.
    """
    source = _of_csv(path) if kind_of(path) is None else _of_arrow(path)
    names = source.names
    parts = [
        ColumnParts(f"{called(path)}: {clean(name, 24)}", source.decimal_point) for name in names
    ]
    rows, is_whole = _read(path, parts, source.batches)
    if not rows:
        raise source.no_rows
    values = [part.values() for part in parts]
    units = [stated_unit(name, unit) for name, unit in zip(names, source.units, strict=True)]
    if time is None:
        clocks = [index for index, part in enumerate(parts) if part.clock is not None]
        found = find_time(names, units, values, clocks)
    else:
        found = _told(path, names, time)
    time_s: Rows = np.empty(0)
    starts, remarks = "", []
    if found.column is not None:
        part = parts[found.column]
        if part.fault is not None:
            raise part.fault
        factor = TimeMap(unit=found.unit).factor
        if part.clock is not None:
            factor, starts, remarks = 1.0, part.clock.starts, [part.clock.remark]
        time_s = _from_start(values[found.column] * factor, factor, remarks.append)
    elif time is not None:
        time_s = time.period_s * np.arange(rows, dtype=float)
    else:
        for part in parts:
            if part.fault is not None:
                raise part.fault
    rising_s = np.diff(time_s[np.isfinite(time_s)])
    rising_s = rising_s[rising_s > 0.0]
    return Table(
        path,
        tuple(
            TableColumn(
                name,
                rig_name,
                unit,
                numbers,
                is_clock=part.clock is not None,
                blank=part.blanks / rows,
                text=part.texts / rows,
                resolution=_resolution(numbers),
                rate_hz=_rate_hz(numbers, time_s),
            )
            for name, rig_name, unit, numbers, part in zip(
                names, numbered(names), units, values, parts, strict=True
            )
        ),
        found,
        time_s,
        row_hz=1.0 / float(np.median(rising_s)) if len(rising_s) else nan,
        starts=starts,
        rows=rows,
        is_whole=is_whole,
        left_out=source.rejected[FIELDS],
        remark="; ".join(filter(None, remarks)),
    )


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
    return _Source(layout.names, words, layout.decimal_point, columns, no_rows, rejected)


def _of_arrow(path: Path) -> _Source:
    file = ArrowFile(path, MOST_ROWS)
    names = [name.strip() for name in file.schema.names]
    batches = file.batches(range(len(names)))
    no_rows = BadInput(f"{called(path)}: found no rows, expected some")
    columns = (batch.columns for batch in batches)
    return _Source(names, file.units, ".", columns, no_rows, Counter())


def _read(
    path: Path, parts: Sequence[ColumnParts], batches: Iterator[Sequence[pa.Array]]
) -> tuple[int, bool]:
    """Read as many rows as are looked at; return how many, and whether that is all."""
    most = min(LONGEST_ROWS, MOST_CELLS // len(parts))
    rows = 0
    try:
        for columns in batches:
            for part, cells in zip(parts, columns, strict=True):
                part.take(cells.slice(0, most - rows))
            rows += len(columns[0])
            if rows > most:
                return most, False
    except (pa.ArrowException, OSError, UnicodeError) as error:
        raise BadInput(
            f"{called(path)}: found {clean(str(error), 120)}, expected a readable log"
        ) from None
    return rows, True


def _told(path: Path, names: Sequence[str], time: TimeMap) -> TimeFound:
    """Return the time that a rig says."""
    if time.counts_rows:
        return TimeFound(None, time.unit, "as told", is_sure=True)
    for have in (list(names), numbered(names)):
        if time.column in have:
            return TimeFound(have.index(time.column), time.unit, "as told", is_sure=True)
    raise BadInput(
        f'{called(path)}: found {len(names)} columns, none called "{clean(time.column)}", '
        "expected one of them for the time"
    )


def _from_start(time_s: Rows, tick_s: float, tell: Callable[[str], None]) -> Rows:
    """Return times from the first, continuous and spread; tell where they were spread."""
    usable = np.isfinite(time_s)
    times_s = DeviceTime(tick_s).follow_block(time_s[usable])
    blocks = list(spread([times_s[:, np.newaxis]], tell)) if len(times_s) else []
    from_start_s = np.full(len(time_s), nan)
    if blocks:
        spread_s = np.concatenate(blocks)[:, 0]
        from_start_s[usable] = spread_s - spread_s[0]
    return from_start_s


def _resolution(values: Rows) -> float:
    steps = np.diff(np.unique(values[np.isfinite(values)]))
    # Two spellings of one number differ by rounding.
    steps = steps[steps > 1e-9 * np.nanmax(np.abs(values))] if len(steps) else steps
    return float(steps.min()) if len(steps) else nan


def _rate_hz(values: Rows, time_s: Rows) -> float:
    if not len(time_s):
        return nan
    sent_s = time_s[np.isfinite(values) & np.isfinite(time_s)]
    span_s = float(np.ptp(sent_s)) if len(sent_s) > 1 else 0.0
    return (len(sent_s) - 1) / span_s if span_s > 0.0 else nan
