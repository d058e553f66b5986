"""A log as Parquet or Arrow IPC (file or stream): by row group or batch, never whole in memory."""

from collections.abc import Generator, Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq

from monitor.sources.lines.unit_row import check_units
from monitor.sources.logs.file_kind import kind_of
from monitor.sources.logs.log_blocks import LogBlocks
from monitor.sources.rows import Rows
from rules.channels import OPERATOR, ROW_NAMES, TIME
from simulator.rig import RigFile
from simulator.strict import BadInput, called, checked_file, clean

MOST_ROWS: Final = 32_768
SMALL_ROWS: Final = 2048  # a ms or two of work: for a reader on an event loop
_READ_BYTES: Final = 1 << 18
_SECONDS: Final = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


class TableBlocks(LogBlocks):
    """Iterates over a Parquet or Arrow log's samples.

    Columns are mapped by the rig, as a CSV log's are: null was not sent, NaN is not a number. Where
    a column's metadata says its unit, it must be the rig's. A time column of timestamps counts
    seconds by itself. Rows without a usable time are left out and counted.

    Raises:
        BadInput: Not such a file, damaged, or a column is missing or holds no numbers; while
            iterating, damage further on (Parquet).
    """

    def __init__(self, path: Path, rig_file: RigFile, *, block_rows: int = MOST_ROWS) -> None:
        self.path = path
        self._block_rows = block_rows
        self._kind = kind_of(path)
        if self._kind is None:
            raise BadInput(f"{called(path)}: found another file, expected Parquet or Arrow IPC")
        try:
            schema = self._schema()
        except (pa.ArrowException, OSError) as error:
            raise BadInput(self._damaged(error)) from None
        self._names = schema.names  # as they stand in the file, spaces included
        ticked = {ROW_NAMES[TIME], ROW_NAMES[OPERATOR]}.issubset(self._names)
        super().__init__(path, self._names, rig_file, ticked)
        facts = [field.metadata or {} for field in schema]
        words = [
            (fact.get(b"unit") or fact.get(b"units") or b"").decode("utf-8", "replace")
            for fact in facts
        ]
        names = [name.strip() for name in self._names]
        check_units(names, words, self.columns, called(path))
        self._check_types(schema)

    def __iter__(self) -> Iterator[Rows]:
        """Yield the blocks; an Arrow log that is cut off ends quietly (see ``cut``)."""
        try:
            with closing(self._batches()) as batches:
                for batch in batches:
                    for start in range(0, batch.num_rows, self._block_rows):
                        yield from self._usable(batch.slice(start, self._block_rows))
        except (pa.ArrowException, OSError) as error:
            if self._kind != "ipc stream" or not self.statistics.decoded:
                raise BadInput(self._damaged(error)) from None
            self.cut = f"cut off or damaged: {clean(str(error))}"
        if not self.statistics.decoded:
            raise BadInput(f"{called(self.path)}: found no rows, expected some")

    def _schema(self) -> pa.Schema:
        if self._kind == "parquet":
            return pq.read_schema(checked_file(self.path))
        with pa.OSFile(checked_file(self.path)) as file:
            opened = pa.ipc.open_file if self._kind == "ipc file" else pa.ipc.open_stream
            with opened(file) as reader:
                return reader.schema

    def _batches(self) -> Generator[pa.RecordBatch, None, None]:
        wanted = [self._names[index] for index in self._wanted()]
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

    def _gathered(self, batches: Iterator[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
        """Yield batches of some size: a recorder's own have a few rows each."""
        waiting: list[pa.RecordBatch] = []
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

    def _check_types(self, schema: pa.Schema) -> None:
        time_index, *indices = (self.columns.time_index, *(pick[0] for pick in self.columns.picks))
        kind = schema.field(time_index).type
        if pa.types.is_timestamp(kind) or pa.types.is_duration(kind):
            self.time_factor = _SECONDS[kind.unit]
        else:
            indices.insert(0, time_index)
        for index in indices:
            kind = schema.field(index).type
            if not (
                pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
            ):
                raise BadInput(
                    f"{called(self.path)}: {clean(self._names[index], 24)}: found a column of "
                    f"{clean(str(kind), 24)}, expected numbers"
                )

    def _damaged(self, error: Exception) -> str:
        what = "Parquet" if self._kind == "parquet" else "an Arrow IPC log"
        why = clean(str(error), 100).rstrip(".")
        return f"{called(self.path)}: found it damaged ({why}), expected {what} in one piece"


def _checked(batch: pa.RecordBatch) -> pa.RecordBatch:
    batch.validate()  # or a damaged length would have us read beyond what was read
    return batch
