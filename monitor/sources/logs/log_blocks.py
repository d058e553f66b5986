"""What logs of every kind share: columns found by the rig, cells made into rows of samples."""

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa

from monitor.source_facts import SourceStatistics
from monitor.sources.lines.columns import Columns, as_own
from monitor.sources.lines.strict_numbers import NO_TIME
from monitor.sources.logs.coarse_time import spread
from monitor.sources.logs.own_clock import OwnClock, counted_from
from monitor.sources.rows import Rows
from rules.channels import (
    BESIDE,
    NOT_SENT,
    OPERATOR,
    OPERATOR_NOTHING,
    ROW_NAMES,
    TIME,
    TIME_BOUND_S,
)
from simulator.rig import RigFile
from simulator.strict import called, clean

if TYPE_CHECKING:
    from monitor.sources.logs.clock_time import ClockTime

_READ: Final = frozenset(ROW_NAMES) - set(BESIDE)


class LogBlocks(ABC):
    """Iterates over a log's samples as (n, columns.width) float64 matrices, in file order.

    Args:
        path: The log.
        names: Its columns, in order.
        rig_file: The rig that maps them.
        ticked: Whether it is an exported or recorded session, which holds its ticks already: then
            columns go by our own names and units, and rows without a usable time are kept.
        extra: Whether the columns of the rig's ``[extra]`` stand behind each sample (``Columns``).

    Attributes:
        ticked: As given.
        columns: Where columns go in a sample.
        statistics: Counts of what has been read.
        cut: Why the log ends before its end, where it says so; None where it doesn't, or where none
            was read yet.
        from_start: Whether times count from the first row, unless they do from near it already
            (``NEAR_NOUGHT_S``) or the log is ``ticked``; else a number stays as the device counts.
        clock: The log's own clock, where times count otherwise; known once rows have been read.
        rig_text: Empty: a log holds no rig (see ``SessionBlocks``).

    Raises:
        BadInput: A column is missing, or stands twice.
    """

    cut: str | None = None
    rig_text = ""
    from_start = False
    clock = OwnClock()
    _has_clock = _has_moments = False
    _clock: "ClockTime | None" = None
    _spread_remark = ""
    _header_line = _first_line = 0  # of a text: of its names, and of its first row
    _names: Sequence[str]  # of the columns in the batches that are read

    def __init__(
        self, path: Path, names: Sequence[str], rig_file: RigFile, ticked: bool, extra: bool
    ) -> None:
        self.path = path
        self.statistics = SourceStatistics(connects=1)
        self.ticked = ticked
        rig_file = as_own(rig_file) if ticked else rig_file
        self.columns = Columns(
            _of_the_log(names, ticked), rig_file, self._at(self._header_line), extra=extra
        )
        self.time_factor = self.columns.time_factor
        # What stands beside time and channels; older sessions lack the clock's pace.
        self._beside = [
            (names.index(n), ROW_NAMES.index(n)) for n in BESIDE if ticked and n in names
        ]
        self._period_s = rig_file.time.period_s
        self._counted = 0  # rows, where they are the time

    def __iter__(self) -> Iterator[Rows]:
        """Yield the blocks, and count them anew."""
        statistics = self.statistics
        statistics.received = statistics.decoded = statistics.no_numbers = self._counted = 0
        statistics.rejected.clear()
        if self._has_clock:
            from monitor.sources.logs.clock_time import ClockTime  # slow to load

            name = clean(self.columns.time_name, 24)
            self._clock = ClockTime(f"{self._at(self._first_line)}: {name}")
        return self._blocks() if self.ticked else self._from_start()

    def _from_start(self) -> Iterator[Rows]:
        """Yield the blocks, with times from the first row where that is wanted."""
        shift_s: float | None = None
        for rows in spread(self._blocks(), self._tell):
            if shift_s is None:
                shift_s, first_s = 0.0, float(rows[0, TIME])
                if self._clock is not None:
                    self.clock = self._clock.own
                elif self.from_start:
                    self.clock = counted_from(first_s, is_moment=self._has_moments)
                    shift_s = first_s if self.clock.starts else 0.0
            rows[:, TIME] -= shift_s
            yield rows

    def _at(self, line: int) -> str:
        """Return how messages call the log, at a line of it where it has lines."""
        return called(self.path) + (f":{line}" if line else "")

    def _tell(self, remark: str) -> None:
        self._spread_remark = remark

    @property
    def starts(self) -> str:
        """When it starts by its own clock, as written; empty where it has none."""
        return self.clock.starts

    @property
    def time_remark(self) -> str:
        """What was made of its times, in a sentence; empty where nothing was."""
        remarks = ["" if self._clock is None else self._clock.remark, self._spread_remark]
        return "; ".join(filter(None, remarks))

    @abstractmethod
    def _blocks(self) -> Iterator[Rows]:
        """Yield the blocks, times as the log's column has them."""

    @property
    def _clock_name(self) -> str | None:
        """Return how batches call the column of clock times; None where there is none."""
        return self._names[self.columns.time_index] if self._has_clock else None

    def no_numbers(self) -> list[str]:
        """Return where the first cells are that are no numbers, and what stands there."""
        return []

    def not_used(self) -> list[int]:
        """Return the lines of the first rows that have another number of fields."""
        return []

    def _follow(self, time_s: Rows) -> Rows:
        """Return the times of a batch's rows, made continuous where the log's clock wraps."""
        return time_s

    def _wanted(self) -> list[int]:
        """Return the columns that are read, in their order."""
        wanted = {self.columns.time_index} | {pick[0] for pick in self.columns.picks}
        return sorted((wanted | {index for index, _ in self._beside}) - {-1})

    def _usable(self, batch: pa.RecordBatch) -> Iterator[Rows]:
        """Yield a batch's rows that have a usable time, where there are any; count all."""
        rows = self._rows(batch)
        usable = (np.abs(rows[:, TIME]) < TIME_BOUND_S) | self.ticked  # NaN isn't
        self.statistics.received += len(rows)
        if not usable.all():
            self.statistics.rejected[NO_TIME] += int(len(rows) - usable.sum())
            rows = rows[usable]
        self.statistics.decoded += len(rows)
        if len(rows):
            yield rows

    def _rows(self, batch: pa.RecordBatch) -> Rows:
        rows = np.full((batch.num_rows, self.columns.width), NOT_SENT)
        rows[:, OPERATOR] = OPERATOR_NOTHING
        rows[:, TIME] = self._times(batch)
        for index, place, factor, offset in self.columns.picks:
            raw = self._numbers(batch, index)
            if factor != 1.0 or offset != 0.0:
                sent = raw != NOT_SENT
                with np.errstate(over="ignore"):
                    raw = raw * factor + offset
                raw = np.where(sent & np.isinf(raw), np.nan, raw)
            rows[:, place] = raw
        for index, place in self._beside:
            rows[:, place] = self._numbers(batch, index)
        return rows

    def _times(self, batch: pa.RecordBatch) -> Rows:
        index = self.columns.time_index
        if index < 0:
            counts = np.arange(self._counted, self._counted + batch.num_rows)
            self._counted += batch.num_rows
            return counts * self._period_s
        if self._clock is not None:
            return self._clock.follow(batch.column(self._names[index]))
        return self._follow(self._numbers(batch, index) * self.time_factor)

    def _numbers(self, batch: pa.RecordBatch, index: int) -> Rows:
        """Return a column's numbers: null was not sent, what is infinite is not a number."""
        column = batch.column(self._names[index])
        if pa.types.is_timestamp(column.type) or pa.types.is_duration(column.type):
            column = column.cast(pa.int64())
        if column.type != pa.float64():
            column = column.cast(pa.float64(), safe=False)
        values: Rows = column.to_numpy(zero_copy_only=False)
        infinite = np.isinf(values)
        if infinite.any():
            values = np.where(infinite, np.nan, values)
        if column.null_count:
            values = np.where(column.is_null().to_numpy(zero_copy_only=False), NOT_SENT, values)
        return values


def _of_the_log(names: Sequence[str], ticked: bool) -> list[str]:
    """Return a log's names without what a session's writer puts behind them."""
    left = list(names)
    while ticked and left[-1] not in _READ:
        left.pop()
    return left
