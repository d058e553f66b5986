"""A log as Parquet or Arrow IPC (file or stream): by row group or batch, never whole in memory."""

from collections.abc import Generator, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from monitor.source_facts import SourceStatistics
from monitor.sources.lines.columns import Columns
from monitor.sources.lines.units import check_units
from monitor.sources.logs.csv_layout import CsvLayout
from monitor.sources.logs.exported import as_exported, with_time
from monitor.sources.logs.kind import kind_of
from rules.channels import (
    BESIDE,
    NOT_SENT,
    OPERATOR,
    OPERATOR_NOTHING,
    ROW_NAMES,
    ROW_WIDTH,
    TIME,
)
from simulator.rig import RigFile
from simulator.strict import BadInput, called, checked_file, clean

MOST_ROWS: Final = 32_768
SMALL_ROWS: Final = 2048  # a ms or two of work: for a reader on an event loop
_READ_BYTES: Final = 1 << 18
_SECONDS: Final = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
_DECIDED: Final = "decided_"


class TableBlocks:
    """Iterates over a Parquet or Arrow log's samples as (n, ROW_WIDTH) matrices, in file order.

    Columns are mapped by the rig, as a CSV log's are: null was not sent, NaN is not a number. Where
    a column's metadata says its unit, it must be the rig's. A time column of timestamps counts
    seconds by itself. Rows without a usable time are left out and counted.

    Attributes:
        ticked: Whether this is a recorded session's, which holds its ticks already.
        cut: Why an Arrow log ends before its end; None where it doesn't, or none was read yet.

    Raises:
        BadInput: Not such a file, damaged, or a column is missing or holds no numbers; while
            iterating, damage further on (Parquet).
    """

    def __init__(self, path: Path, rig_file: RigFile, *, block_rows: int = MOST_ROWS) -> None:
        self.path = path
        self.statistics = SourceStatistics(connects=1)
        self.cut: str | None = None
        self._block_rows = block_rows
        self._kind = kind_of(path)
        if self._kind is None:
            raise BadInput(f"{called(path)}: found another file, expected Parquet or Arrow IPC")
        try:
            schema = self._schema()
        except (pa.ArrowException, OSError) as error:
            raise BadInput(self._damaged(error)) from None
        self.ticked = {"time_s", ROW_NAMES[OPERATOR]}.issubset(schema.names)
        if self.ticked:
            rig_file = as_exported(rig_file)
        names = [n for n in schema.names if not (self.ticked and _is_ours(n))]
        self.columns = Columns(names, rig_file, called(path))
        self._names = tuple(name.strip() for name in names)
        self._check_units(schema, rig_file)
        # What stands beside time and channels; older sessions lack the clock's pace.
        self._beside = [n for n in BESIDE if self.ticked and n in schema.names]
        # As they stand in the file, spaces included.
        self._wanted = [names[self.columns.time_index]]
        self._wanted += [names[pick[0]] for pick in self.columns.picks]
        self._time_factor = self.columns.time_factor
        self._check_types(schema)

    def __iter__(self) -> Iterator[Any]:
        """Yield the blocks; an Arrow log that is cut off ends quietly (see ``cut``)."""
        try:
            with closing(self._batches()) as batches:
                for batch in batches:
                    for start in range(0, batch.num_rows, self._block_rows):
                        rows = self._rows(batch.slice(start, self._block_rows))
                        yield from with_time(rows, self.statistics, ticked=self.ticked)
        except (pa.ArrowException, OSError) as error:
            if self._kind != "ipc stream" or not self.statistics.decoded:
                raise BadInput(self._damaged(error)) from None
            self.cut = f"cut off or damaged: {clean(str(error))}"
        if not self.statistics.decoded:
            raise BadInput(f"{called(self.path)}: found no rows, expected some")

    def _schema(self) -> Any:
        if self._kind == "parquet":
            return pq.read_schema(checked_file(self.path))
        with pa.OSFile(checked_file(self.path)) as file:
            opened = pa.ipc.open_file if self._kind == "ipc file" else pa.ipc.open_stream
            with opened(file) as reader:
                return reader.schema

    def _batches(self) -> Generator[Any, None, None]:
        wanted = [*self._wanted, *self._beside]
        if self._kind == "parquet":
            # Without reading ahead: a file with one large row group is streamed too.
            with pq.ParquetFile(
                checked_file(self.path), buffer_size=_READ_BYTES, pre_buffer=False
            ) as parquet:
                yield from parquet.iter_batches(
                    batch_size=self._block_rows, columns=wanted, use_threads=False
                )
            return
        if self._kind == "ipc file":
            with pa.OSFile(checked_file(self.path)) as file, pa.ipc.open_file(file) as reader:
                for index in range(reader.num_record_batches):
                    yield _checked(reader.get_batch(index).select(wanted))
            return
        with (
            pa.input_stream(
                checked_file(self.path), compression=None, buffer_size=_READ_BYTES
            ) as file,
            pa.ipc.open_stream(file) as stream,
        ):
            yield from self._gathered(_checked(batch.select(wanted)) for batch in stream)

    def _gathered(self, batches: Iterator[Any]) -> Iterator[Any]:
        """Yield batches of some size: a recorder's own have a few rows each."""
        waiting: list[Any] = []
        count = 0
        fault: Exception | None = None
        try:
            for batch in batches:
                waiting.append(batch)
                count += batch.num_rows
                if count >= self._block_rows:
                    yield from pa.Table.from_batches(waiting).combine_chunks().to_batches()
                    waiting, count = [], 0
        except (pa.ArrowException, OSError) as error:
            fault = error  # what came before it counts
        if waiting:
            yield from pa.Table.from_batches(waiting).combine_chunks().to_batches()
        if fault is not None:
            raise fault

    def _rows(self, batch: Any) -> Any:
        rows = np.full((batch.num_rows, ROW_WIDTH), NOT_SENT)
        rows[:, OPERATOR] = OPERATOR_NOTHING
        time_s = self._numbers(batch, self._wanted[0]) * self._time_factor
        rows[:, TIME] = time_s
        for name, pick in zip(self._wanted[1:], self.columns.picks, strict=True):
            _, place, factor, offset = pick
            raw = self._numbers(batch, name)
            if factor != 1.0 or offset != 0.0:
                sent = raw != NOT_SENT
                with np.errstate(over="ignore"):
                    raw = raw * factor + offset
                raw = np.where(sent & np.isinf(raw), np.nan, raw)
            rows[:, place] = raw
        for name in self._beside:
            rows[:, ROW_NAMES.index(name)] = self._numbers(batch, name)
        return rows

    @staticmethod
    def _numbers(batch: Any, name: str) -> Any:
        column = batch.column(name)
        if pa.types.is_timestamp(column.type) or pa.types.is_duration(column.type):
            column = column.cast(pa.int64())
        if column.type != pa.float64():
            column = column.cast(pa.float64(), safe=False)
        values = column.to_numpy(zero_copy_only=False)
        infinite = np.isinf(values)
        if infinite.any():
            values = np.where(infinite, np.nan, values)
        if column.null_count:
            values = np.where(column.is_null().to_numpy(zero_copy_only=False), NOT_SENT, values)
        return values

    def _check_types(self, schema: Any) -> None:
        for name in self._wanted:
            kind = schema.field(name).type
            if name == self._wanted[0] and (
                pa.types.is_timestamp(kind) or pa.types.is_duration(kind)
            ):
                self._time_factor = _SECONDS[kind.unit]
                continue
            if not (
                pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
            ):
                raise BadInput(
                    f"{called(self.path)}: {clean(name, 24)}: found a column of "
                    f"{clean(str(kind), 24)}, expected numbers"
                )

    def _check_units(self, schema: Any, rig_file: RigFile) -> None:
        facts = [f.metadata or {} for f in schema if not (self.ticked and _is_ours(f.name))]
        words = tuple(
            (fact.get(b"unit") or fact.get(b"units") or b"").decode("utf-8", "replace")
            for fact in facts
        )
        if any(words):
            layout = CsvLayout(self._names, ",", ".", "utf-8", 0, words)
            check_units(layout, self.columns, rig_file, called(self.path))

    def _damaged(self, error: Exception) -> str:
        what = "Parquet" if self._kind == "parquet" else "an Arrow IPC log"
        return f"{called(self.path)}: found {clean(str(error), 100)}, expected {what} in one piece"


def _checked(batch: Any) -> Any:
    batch.validate()  # or a damaged length would have us read beyond what was read
    return batch


def _is_ours(name: str) -> bool:
    return name in BESIDE or name.startswith(_DECIDED)
