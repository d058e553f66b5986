"""A Parquet or Arrow IPC file (or stream): by row group or batch, never whole in memory."""

from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq

from monitor.sources.logs.csv_batches import name_of
from monitor.sources.logs.file_kind import kind_of
from simulator.strict import BadInput, called, checked_file, clean

_READ_BYTES: Final = 1 << 18


class ArrowFile:
    """One such file.

    Args:
        path: The file.
        block_rows: Rows of a batch, about.

    Attributes:
        kind: See ``kind_of``.
        schema: Its columns.
        units: What each column's metadata says its unit is; empty where it doesn't.

    Raises:
        BadInput: Not such a file, or damaged.
    """

    def __init__(self, path: Path, block_rows: int) -> None:
        self.path = path
        self._block_rows = block_rows
        self.kind = kind_of(path)
        if self.kind is None:
            raise BadInput(f"{called(path)}: found another file, expected Parquet or Arrow IPC")
        try:
            self.schema = self._schema()
        except (pa.ArrowException, OSError) as error:
            raise self.damaged(error) from None
        facts = [field.metadata or {} for field in self.schema]
        self.units = [
            (fact.get(b"unit") or fact.get(b"units") or b"").decode("utf-8", "replace")
            for fact in facts
        ]

    def damaged(self, error: Exception) -> BadInput:
        """Return what to raise for an error while it is read."""
        what = "Parquet" if self.kind == "parquet" else "an Arrow IPC log"
        why = clean(str(error), 100).rstrip(".")
        return BadInput(
            f"{called(self.path)}: found it damaged ({why}), expected {what} in one piece"
        )

    def batches(self, wanted: Sequence[int]) -> Generator[pa.RecordBatch, None, None]:
        """Yield the file's batches; a column's name is ``name_of`` its place.

        Args:
            wanted: The columns to read, by their places.

        Raises:
            pa.ArrowException: Damaged further on.
            OSError: It can't be read.
        """
        names = [name_of(place) for place in wanted]
        with closing(self._batches(wanted)) as batches:
            for batch in batches:
                yield pa.RecordBatch.from_arrays(batch.columns, names)

    def _batches(self, wanted: Sequence[int]) -> Generator[pa.RecordBatch, None, None]:
        if self.kind == "parquet":
            # Without reading ahead: a file with one large row group is streamed too.
            with pq.ParquetFile(
                checked_file(self.path), buffer_size=_READ_BYTES, pre_buffer=False
            ) as parquet:
                # Columns are read by name, and all of one name.
                names = list(dict.fromkeys(self.schema.names[place] for place in wanted))
                read = [i for name in names for i in self.schema.get_all_field_indices(name)]
                for batch in parquet.iter_batches(
                    batch_size=self._block_rows, columns=names, use_threads=False
                ):
                    yield batch.select([read.index(place) for place in wanted])
            return
        if self.kind == "ipc file":
            with pa.OSFile(checked_file(self.path)) as file, pa.ipc.open_file(file) as reader:
                for index in range(reader.num_record_batches):
                    yield _checked(reader.get_batch(index).select(list(wanted)))
            return
        with (
            pa.input_stream(
                checked_file(self.path), compression=None, buffer_size=_READ_BYTES
            ) as file,
            pa.ipc.open_stream(file) as stream,
        ):
            yield from self._gathered(_checked(batch.select(list(wanted))) for batch in stream)

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

    def _schema(self) -> pa.Schema:
        if self.kind == "parquet":
            return pq.read_schema(checked_file(self.path))
        with pa.OSFile(checked_file(self.path)) as file:
            opened = pa.ipc.open_file if self.kind == "ipc file" else pa.ipc.open_stream
            with opened(file) as reader:
                return reader.schema


def _checked(batch: pa.RecordBatch) -> pa.RecordBatch:
    batch.validate()  # or a damaged length would have us read beyond what was read
    return batch
