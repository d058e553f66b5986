"""A CSV file's columns in batches, through pyarrow, never whole in memory."""

import codecs
import io
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pyarrow as pa
from pyarrow import csv as pacsv

from monitor.sources.logs.bounded_lines import BoundedLines
from monitor.sources.logs.cell_words import NOT_SENT_WORDS
from monitor.sources.logs.csv_layout import CsvLayout


def csv_batches(
    path: Path,
    layout: CsvLayout,
    kinds: Mapping[int, pa.DataType],
    block_bytes: int,
    wrong_row: Callable[[pacsv.InvalidRow], str],
) -> Iterator[pa.RecordBatch]:
    """Yield a file's batches; a column's name is ``name_of`` its place.

    Args:
        path: The file.
        layout: How it is written.
        kinds: The columns wanted, and as what they are read.
        block_bytes: Of the file, a batch.
        wrong_row: Told of each row with another number of fields; answers "skip".

    Raises:
        pa.ArrowInvalid: A cell is not of its column's kind.
        OSError: It can't be read.
        BadInput: A line is longer than any of a log.
    """
    wanted = {name_of(index): kind for index, kind in kinds.items()}
    yield from pacsv.open_csv(
        _AsUtf8(path, layout.encoding),
        read_options=pacsv.ReadOptions(
            block_size=block_bytes,
            column_names=[name_of(index) for index in range(len(layout.names))],
            skip_rows=layout.lines_before_data,
        ),
        parse_options=pacsv.ParseOptions(delimiter=layout.delimiter, invalid_row_handler=wrong_row),
        convert_options=pacsv.ConvertOptions(
            include_columns=list(wanted),
            column_types=wanted,
            null_values=NOT_SENT_WORDS,
            strings_can_be_null=True,
            decimal_point=layout.decimal_point,
        ),
    )


class _AsUtf8(io.RawIOBase):
    """A file's text as UTF-8. A stray byte in it is replaced, and makes no log useless."""

    def __init__(self, path: Path, encoding: str) -> None:
        self._file = BoundedLines(path)
        self._decoder = codecs.getincrementaldecoder(encoding)("replace")
        self._is_ascii = encoding not in {"utf-16", "utf-16-le", "utf-16-be"}  # where its bytes are
        self._ready = b""
        self._has_ended = False

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        self._file.close()
        super().close()

    def read(self, size: int = -1) -> bytes:
        # No less than is asked for: a short block might end before its line does.
        while (size < 0 or len(self._ready) < size) and not self._has_ended:
            chunk = self._file.read(size)
            self._has_ended = not chunk
            # Nearly always, and quick.
            is_same = chunk.isascii() and self._is_ascii and not self._decoder.getstate()[0]
            text = chunk if is_same else self._decoder.decode(chunk, not chunk).encode()
            self._ready = self._ready + text if self._ready else text
        if size < 0 or len(self._ready) <= size:  # nearly always: nothing is copied
            found, self._ready = self._ready, b""
        else:
            found, self._ready = self._ready[:size], self._ready[size:]
        return found


def name_of(index: int) -> str:
    """Return how a column is called by its place: its own name may stand twice."""
    return f"c{index}"
