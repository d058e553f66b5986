"""A log as Parquet or Arrow IPC (file or stream), as blocks of samples."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

import pyarrow as pa

from monitor.sources.lines.unit_row import check_units
from monitor.sources.logs.arrow_file import ArrowFile
from monitor.sources.logs.column_parts import SECONDS
from monitor.sources.logs.csv_batches import name_of
from monitor.sources.logs.log_blocks import LogBlocks
from monitor.sources.rows import Rows
from rules.channels import OPERATOR, ROW_NAMES, TIME
from simulator.rig import RigFile
from simulator.strict import BadInput, called, clean

MOST_ROWS: Final = 8192
SMALL_ROWS: Final = 2048  # a ms or two of work: for a reader on an event loop


class TableBlocks(LogBlocks):
    """Iterates over a Parquet or Arrow log's samples.

    Columns are mapped by the rig, as a CSV log's are: null was not sent, NaN is not a number. Where
    a column's metadata says its unit, it must be the rig's. A time column of timestamps counts
    seconds by itself. Rows without a usable time are left out and counted.

    Raises:
        BadInput: Not such a file, damaged, or a column is missing or holds no numbers; while
            iterating, damage further on (Parquet).
    """

    def __init__(
        self, path: Path, rig_file: RigFile, *, block_rows: int = MOST_ROWS, extra: bool = False
    ) -> None:
        self._block_rows = block_rows
        self._file = ArrowFile(path, block_rows)
        schema = self._file.schema
        names = [name.strip() for name in schema.names]
        self._names = [name_of(index) for index in range(len(names))]
        ticked = {ROW_NAMES[TIME], ROW_NAMES[OPERATOR]}.issubset(names)
        super().__init__(path, names, rig_file, ticked, extra)
        check_units(names, self._file.units, self.columns, called(path))
        self._check_types(schema)

    def _blocks(self) -> Iterator[Rows]:
        """Yield the blocks; an Arrow log that is cut off ends quietly (see ``cut``)."""
        try:
            with closing(self._file.batches(self._wanted())) as batches:
                for batch in batches:
                    for start in range(0, batch.num_rows, self._block_rows):
                        yield from self._usable(batch.slice(start, self._block_rows))
        except (pa.ArrowException, OSError) as error:
            if self._file.kind != "ipc stream" or not self.statistics.decoded:
                raise self._file.damaged(error) from None
            self.cut = f"cut off or damaged: {clean(str(error))}"
        if not self.statistics.decoded:
            raise BadInput(f"{called(self.path)}: found no rows, expected some")

    def _check_types(self, schema: pa.Schema) -> None:
        time_index, *indices = (self.columns.time_index, *(pick[0] for pick in self.columns.picks))
        kind = schema.field(time_index).type if time_index >= 0 else pa.float64()
        if pa.types.is_string(kind) or pa.types.is_large_string(kind):
            self._has_clock = True
        elif pa.types.is_timestamp(kind) or pa.types.is_duration(kind):
            self.time_factor = SECONDS[kind.unit]
            self._has_moments = pa.types.is_timestamp(kind)
        elif time_index >= 0:
            indices.insert(0, time_index)
        for index in indices:
            kind = schema.field(index).type
            if not (
                pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
            ):
                raise BadInput(
                    f"{called(self.path)}: {clean(schema.names[index], 24)}: found a column of "
                    f"{clean(str(kind), 24)}, expected numbers"
                )
