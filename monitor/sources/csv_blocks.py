"""A CSV log of any size as blocks of samples, through pyarrow, never whole in memory."""

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
from pyarrow import csv as pacsv

from monitor.decode import Columns
from monitor.device_time import DeviceTime
from monitor.sources.base import SourceStatistics
from monitor.sources.csv_layout import (
    DECIMAL_COMMA,
    NOT_SENT_WORDS,
    CsvLayout,
    is_number,
    read_layout,
)
from monitor.sources.csv_units import check_units
from rules.channels import NOT_SENT, OPERATOR, OPERATOR_NOTHING, ROW_WIDTH, TIME
from simulator.rig import RigFile
from simulator.strict import BadInput, called, clean

BLOCK_BYTES: Final = 1 << 20
SMALL_BLOCK_BYTES: Final = 1 << 17  # a few ms of work: for a reader on an event loop


class CsvBlocks:
    """Iterates over a CSV log's samples as (n, ROW_WIDTH) float64 matrices, in file order.

    Rows with the wrong number of fields (a log cut off by a power loss) are left out and counted;
    a cell that is no number is an error that names its line and column.

    Raises:
        BadInput: See ``read_layout``, ``Columns`` and ``check_units``; while iterating, a cell
            that is no number.
    """

    def __init__(self, path: Path, rig_file: RigFile, *, block_bytes: int = BLOCK_BYTES) -> None:
        self.path = path
        self._block_bytes = block_bytes
        self.statistics = SourceStatistics(connects=1)
        self.layout: CsvLayout = read_layout(path, rig_file)
        self.columns = Columns(self.layout.names, rig_file, called(path))
        check_units(self.layout, self.columns, rig_file, called(path))
        self._device_time = DeviceTime(self.columns.time_factor)

    def __iter__(self) -> Iterator[Any]:
        """Yield the blocks."""
        self._device_time = DeviceTime(self.columns.time_factor)
        self.statistics.clock = self._device_time.turns
        try:
            for batch in self._batches():
                rows = self._rows(batch)
                self.statistics.received += len(rows)
                self.statistics.decoded += len(rows)
                yield rows
        except pa.ArrowInvalid as error:
            raise BadInput(self._what_is_wrong(str(error))) from None
        except (OSError, UnicodeError) as error:
            raise BadInput(
                f"{called(self.path)}: found {clean(str(error))}, expected a readable log"
            ) from None
        if not self.statistics.decoded:
            raise BadInput(self._no_rows())

    def _batches(self) -> Any:
        wanted = {self.columns.time_index} | {pick[0] for pick in self.columns.picks}
        names = [f"c{i}" for i in range(len(self.layout.names))]
        wanted_names = [names[i] for i in sorted(wanted)]
        return pacsv.open_csv(
            str(self.path),
            read_options=pacsv.ReadOptions(
                block_size=self._block_bytes,
                column_names=names,
                skip_rows=self.layout.lines_before_data,
                encoding="utf8" if self.layout.encoding == "utf-8-sig" else self.layout.encoding,
            ),
            parse_options=pacsv.ParseOptions(
                delimiter=self.layout.delimiter, invalid_row_handler=self._skip
            ),
            convert_options=pacsv.ConvertOptions(
                include_columns=wanted_names,
                column_types=dict.fromkeys(wanted_names, pa.float64()),
                null_values=NOT_SENT_WORDS,
                decimal_point=self.layout.decimal_point,
            ),
        )

    def _skip(self, row: Any) -> str:
        self.statistics.received += 1
        self.statistics.rejected["number of fields"] += 1
        return "skip"

    def _rows(self, batch: Any) -> Any:
        rows = np.full((batch.num_rows, ROW_WIDTH), NOT_SENT)
        rows[:, OPERATOR] = OPERATOR_NOTHING
        time_s = self._numbers(batch, self.columns.time_index) * self.columns.time_factor
        rows[:, TIME] = self._device_time.follow_block(
            np.where(np.isfinite(time_s), time_s, np.nan)
        )
        for index, place, factor, offset in self.columns.picks:
            raw = self._numbers(batch, index)
            if factor != 1.0 or offset != 0.0:
                sent = raw != NOT_SENT
                with np.errstate(over="ignore"):
                    raw = raw * factor + offset
                raw = np.where(sent & np.isinf(raw), np.nan, raw)
            rows[:, place] = raw
        return rows

    @staticmethod
    def _numbers(batch: Any, index: int) -> Any:
        column = batch.column(f"c{index}")
        values = column.to_numpy(zero_copy_only=False)
        infinite = np.isinf(values)
        if infinite.any():
            values = np.where(infinite, np.nan, values)
        if column.null_count:
            values = np.where(column.is_null().to_numpy(zero_copy_only=False), NOT_SENT, values)
        return values

    def _what_is_wrong(self, error: str) -> str:
        """Find the first cell that is no number, to name its line and column."""
        layout = self.layout
        indices = sorted({self.columns.time_index} | {pick[0] for pick in self.columns.picks})
        with self.path.open(encoding=layout.encoding, errors="replace", newline="") as file:
            reader = csv.reader(file, delimiter=layout.delimiter)
            for row in reader:
                if reader.line_num <= layout.lines_before_data or len(row) != len(layout.names):
                    continue
                for index in indices:
                    cell = row[index]
                    if cell in NOT_SENT_WORDS or is_number(cell, layout.decimal_point):
                        continue
                    column = clean(layout.names[index], 24)
                    comma = DECIMAL_COMMA.fullmatch(cell) is not None
                    return (
                        f"{called(self.path)}:{reader.line_num}: {column}: "
                        f'found "{clean(cell, 24)}", expected a number'
                        f"{' with a decimal point' * comma}"
                    )
        if not self.statistics.received:
            return self._no_rows()
        return f"{called(self.path)}: {clean(error, 120)}"

    def _no_rows(self) -> str:
        lines = self.layout.lines_before_data
        others = self.statistics.rejected["number of fields"]
        if others and self.layout.delimiter == "," and self._more_fields():
            return (
                f"{called(self.path)}: found only rows with more fields than the header after line "
                f"{lines}, expected as many; are these decimal commas? Write decimal points, or "
                "separate fields by semicolons"
            )
        return f"{called(self.path)}: found no rows of numbers after line {lines}, expected some"

    def _more_fields(self) -> bool:
        """Whether the first row has more fields than the header, as decimal commas make."""
        layout = self.layout
        with self.path.open(encoding=layout.encoding, errors="replace", newline="") as file:
            reader = csv.reader(file)
            first = next((r for r in reader if reader.line_num > layout.lines_before_data), [])
        return len(first) > len(layout.names)
