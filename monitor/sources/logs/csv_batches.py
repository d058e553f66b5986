"""A CSV file's columns in batches, through pyarrow, never whole in memory."""

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
    """Return a file's batches; a column's name is ``name_of`` its place.

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
    encoding = layout.encoding
    reader: Iterator[pa.RecordBatch] = pacsv.open_csv(
        BoundedLines(path),
        read_options=pacsv.ReadOptions(
            block_size=block_bytes,
            column_names=[name_of(index) for index in range(len(layout.names))],
            skip_rows=layout.lines_before_data,
            encoding="utf8" if encoding == "utf-8-sig" else encoding,
        ),
        parse_options=pacsv.ParseOptions(delimiter=layout.delimiter, invalid_row_handler=wrong_row),
        convert_options=pacsv.ConvertOptions(
            include_columns=list(wanted),
            column_types=wanted,
            null_values=NOT_SENT_WORDS,
            strings_can_be_null=True,
            decimal_point=layout.decimal_point,
            check_utf8=False,  # a stray byte far down makes a cell text, no log useless
        ),
    )
    return reader


def name_of(index: int) -> str:
    """Return how a column is called by its place: its own name may stand twice."""
    return f"c{index}"
