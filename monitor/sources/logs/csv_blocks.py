"""A CSV log of any size as blocks of samples, through pyarrow, never whole in memory."""

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
from pyarrow import csv as pacsv

from monitor.sources.lines.columns import is_own_header
from monitor.sources.lines.device_time import DeviceTime
from monitor.sources.lines.strict_numbers import NO_TIME
from monitor.sources.lines.unit_row import check_units
from monitor.sources.logs.bounded_lines import FIELDS
from monitor.sources.logs.csv_batches import csv_batches, name_of
from monitor.sources.logs.csv_cells import MOST_SHOWN, TextColumns, rows_of, wrong_cells
from monitor.sources.logs.csv_layout import CsvLayout, read_layout
from monitor.sources.logs.log_blocks import LogBlocks
from monitor.sources.rows import Rows
from rules.channels import OPERATOR, ROW_NAMES, TIME_BOUND_S
from simulator.rig import CLOCK, RigFile
from simulator.strict import BadInput, called, clean

BLOCK_BYTES: Final = 1 << 19
SUCH_TIMES: Final = "a time such as 14:05:06.1 or 2024-03-12 14:05:06.1"
_LOOKED_AT: Final = 100_000  # rows, for cells that are no numbers
SMALL_BLOCK_BYTES: Final = 1 << 17  # a few ms of work: for a reader on an event loop


class CsvBlocks(LogBlocks):
    """Iterates over a CSV log's samples.

    Rows with the wrong number of fields (a log cut off by a power loss), or without a usable time,
    are left out and counted.
    A cell that is no number is NaN, and counted; a column with more of them than numbers, or with
    decimal commas, is an error that names line and column.

    Raises:
        BadInput: See ``read_layout``, ``Columns`` and ``check_units``; while iterating, a column
            that is not one of numbers.
    """

    def __init__(
        self, path: Path, rig_file: RigFile, *, block_bytes: int = BLOCK_BYTES, extra: bool = False
    ) -> None:
        self._block_bytes = block_bytes
        self.layout: CsvLayout = read_layout(path, rig_file)
        names = self.layout.names
        # An exported session: the operator's hand stands last.
        ticked = names[-1] == ROW_NAMES[OPERATOR] and is_own_header(names[:-1])
        self._names = [name_of(index) for index in range(len(names))]
        self._header_line = self.layout.header_line
        self._first_line = self.layout.lines_before_data + 1
        super().__init__(path, names, rig_file, ticked, extra)
        time_index = self.columns.time_index
        told = self.columns.rig_file.time.unit == CLOCK
        self._has_clock = time_index >= 0 and (told or self.layout.is_clock(time_index))
        line = self.layout.words_line or self._header_line
        check_units(names, self.layout.words, self.columns, f"{called(path)}:{line}")
        self._device_time = DeviceTime(self.time_factor)
        self._numbers_up_to = 0  # so many rows hold nothing but numbers

    def _blocks(self) -> Iterator[Rows]:
        self._device_time = DeviceTime(self.time_factor)
        self.statistics.clock = self._device_time.turns
        try:
            try:
                for batch in self._batches(pa.float64()):
                    yield from self._usable(batch)
            except pa.ArrowInvalid:
                yield from self._as_text()
        except pa.ArrowInvalid as error:
            raise self._what_is_wrong(str(error)) from None
        except (OSError, UnicodeError) as error:
            raise BadInput(
                f"{called(self.path)}: found {clean(str(error))}, expected a readable log"
            ) from None
        if not self.statistics.decoded:
            raise self._no_rows()

    def _as_text(self) -> Iterator[Rows]:
        """Yield the blocks from the first on that has a cell that is no number."""
        statistics, texts = self.statistics, TextColumns(self.layout.decimal_point)
        statistics.received -= statistics.rejected.pop(FIELDS, 0)  # they come by once more
        to_skip = statistics.decoded + statistics.rejected[NO_TIME]
        for batch in self._batches(pa.string()):
            left = batch.slice(min(to_skip, batch.num_rows))
            to_skip -= batch.num_rows - left.num_rows
            if not left.num_rows:
                continue
            before = texts.no_numbers
            columns = [
                left.column(n) if n == self._clock_name else texts.floats(n, left.column(n))
                for n in left.schema.names
            ]
            if texts.has_wrong_column:
                raise pa.ArrowInvalid("no column of numbers")
            if not before and texts.no_numbers:
                self._numbers_up_to = statistics.decoded + statistics.rejected[NO_TIME]
            statistics.no_numbers = texts.no_numbers
            yield from self._usable(pa.RecordBatch.from_arrays(columns, left.schema.names))

    def no_numbers(self) -> list[str]:
        """Return where the first cells are that are no numbers, and what stands there."""
        found = wrong_cells(
            self.path, self.layout, self._of_numbers(), skip=self._numbers_up_to, most=_LOOKED_AT
        )
        return [cell.words for cell in islice(found, MOST_SHOWN)]

    def not_used(self) -> list[int]:
        """Return the lines of the first rows that have another number of fields."""
        found = rows_of(self.path, self.layout, as_wide=False)
        wrong = (line for line, row in found if len(row) != len(self.layout.names))
        return list(islice(wrong, MOST_SHOWN))

    def _batches(self, kind: pa.DataType) -> Iterator[pa.RecordBatch]:
        kinds = dict.fromkeys(self._wanted(), pa.string()) | dict.fromkeys(self._of_numbers(), kind)
        return csv_batches(self.path, self.layout, kinds, self._block_bytes, self._skip)

    def _of_numbers(self) -> list[int]:
        return [index for index in self._wanted() if self._names[index] != self._clock_name]

    def _skip(self, row: pacsv.InvalidRow) -> str:
        self.statistics.received += 1
        self.statistics.rejected[FIELDS] += 1
        return "skip"

    def _follow(self, time_s: Rows) -> Rows:
        usable_s = np.where(np.abs(time_s) < TIME_BOUND_S, time_s, np.nan)
        return self._device_time.follow_block(usable_s)

    def _what_is_wrong(self, error: str) -> BadInput:
        """Find the first cell that is no number, to name its line and column."""
        cell = next(wrong_cells(self.path, self.layout, self._of_numbers()), None)
        if cell is not None:
            point = " with a decimal point" if cell.has_decimal_comma else ""
            if cell.place == self.columns.time_index:
                point += f", or {SUCH_TIMES}"
            return BadInput(f"{called(self.path)}:{cell.words}, expected a number{point}")
        if not self.statistics.received:
            return self._no_rows()
        return BadInput(f"{called(self.path)}: {clean(error, 120)}")

    def _no_rows(self) -> BadInput:
        if self._clock is None or not self._clock.unread:
            return self.layout.no_rows(self.path)
        index = self.columns.time_index
        found = (
            f'{called(self.path)}:{line}: {clean(self.layout.names[index], 24)}: found "{cell}"'
            for line, row in rows_of(self.path, self.layout)
            if (cell := clean(row[index], 24) if index < len(row) else "")
        )
        return BadInput(f"{next(found)}, expected {SUCH_TIMES}")
