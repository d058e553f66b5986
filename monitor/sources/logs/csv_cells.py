"""Cells of a CSV log that are no numbers: read as NaN, found again by line and column."""

import csv
import io
from collections.abc import Iterator, Sequence
from itertools import islice
from math import nan
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pyarrow as pa

from monitor.sources.logs.bounded_lines import BoundedLines
from monitor.sources.logs.cell_words import DECIMAL_COMMA, NOT_SENT_WORDS, is_number
from monitor.sources.logs.csv_layout import CsvLayout
from simulator.strict import clean

MOST_SHOWN: Final = 3
_ENDS: Final = frozenset({"\r", "\n", "\r\n", "\r\r\n"})  # of a line that is empty


class Cell(NamedTuple):
    """A cell that is no number."""

    line: int
    place: int
    column: str
    text: str

    @property
    def has_decimal_comma(self) -> bool:
        """Whether it would be a number with a decimal point."""
        return DECIMAL_COMMA.fullmatch(self.text) is not None

    @property
    def words(self) -> str:
        """Where it is and what stands there, safe to print."""
        return f'{self.line}: {clean(self.column, 24)}: found "{clean(self.text, 24)}"'


class TextColumns:
    """Reads columns of text as numbers; whatever is none becomes NaN, and is counted.

    One such cell is a logger's slip. A column with more text than numbers is no column of numbers.

    Attributes:
        no_numbers: Cells that were no numbers.
        first_text: The first of these, as written; empty before.
        texts: The same by column.
        has_decimal_comma: Whether one of them would be a number with a decimal point: that is how
            the log is written, and no slip.
    """

    def __init__(self, decimal_point: str) -> None:
        self._point = decimal_point
        self._numbers: dict[str, int] = {}
        self.texts: dict[str, int] = {}
        self.no_numbers = 0
        self.first_text = ""
        self.has_decimal_comma = False

    def floats(self, name: str, column: pa.Array) -> pa.Array:
        """Return a column of text as float64; null where nothing was sent.

        Args:
            name: Of the column, for counting.
            column: Text.
        """
        clean_values = self._cast(column)
        if clean_values is not None:
            self._count(name, len(column) - column.null_count, 0)
            return clean_values
        from pyarrow import compute as pc

        # Cell by cell, but each text once: what stands in place of numbers is mostly alike.
        coded = pc.dictionary_encode(column)
        words = coded.dictionary.to_pylist()
        values = [self._float(word) for word in words]
        is_text = np.array([value is None for value in values], bool)
        indices = coded.indices.drop_null().to_numpy()
        texts = int(np.count_nonzero(is_text[indices])) if len(words) else 0
        self._count(name, len(column) - column.null_count - texts, texts)
        floats = pa.array([nan if value is None else value for value in values], pa.float64())
        return floats.take(coded.indices)

    def _float(self, cell: str) -> float | None:
        """Return a cell's number; None where it is none."""
        if is_number(cell, self._point):
            return float(cell.strip().replace(",", "."))
        if self._point == "." and DECIMAL_COMMA.fullmatch(cell):
            self.has_decimal_comma = True
        self.first_text = self.first_text or cell
        return None

    def _count(self, name: str, numbers: int, texts: int) -> None:
        self._numbers[name] = self._numbers.get(name, 0) + numbers
        self.texts[name] = self.texts.get(name, 0) + texts
        self.no_numbers += texts

    def _cast(self, column: pa.Array) -> pa.Array | None:
        """Return a column of nothing but numbers as float64, quickly; None where it has others."""
        from pyarrow import compute as pc  # slow to load, and seldom needed

        text = pc.utf8_trim_whitespace(column)
        if self._point == ",":
            if pc.any(pc.match_substring(text, ".")).as_py():
                return None
            text = pc.replace_substring(text, ",", ".")
        try:
            return pc.cast(text, pa.float64())
        except pa.ArrowInvalid:
            return None

    @property
    def has_wrong_column(self) -> bool:
        """Whether so far some column has more text than numbers, or decimal commas."""
        return self.has_decimal_comma or any(
            texts > self._numbers[name] for name, texts in self.texts.items()
        )


def wrong_cells(
    path: Path, layout: CsvLayout, indices: Sequence[int], *, skip: int = 0, most: int | None = None
) -> Iterator[Cell]:
    """Yield the cells that are no numbers, in the order of the file.

    Args:
        path: The log.
        layout: How it is written.
        indices: Columns to look at.
        skip: Rows to pass over first.
        most: Rows to look at; None: all.
    """
    for line, row in islice(rows_of(path, layout, skip=skip), most):
        if len(row) != len(layout.names):
            continue
        for index in indices:
            cell = row[index]
            if cell not in NOT_SENT_WORDS and not is_number(cell, layout.decimal_point):
                yield Cell(line, index, layout.names[index], cell)


def rows_of(
    path: Path, layout: CsvLayout, *, skip: int = 0, as_wide: bool = True
) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows behind a log's header, each with its line; empty lines are passed over.

    A row is one line, whatever is quoted in it, as for the reader of blocks.

    Args:
        path: The log.
        layout: How it is written.
        skip: Rows to pass over first, quickly.
        as_wide: Whether rows as wide as the header are wanted, too.

    Raises:
        BadInput: A line is longer than any of a log.
        OSError: It can't be read.
    """
    delimiters = len(layout.names) - 1
    with (
        BoundedLines(path) as raw,
        io.TextIOWrapper(
            io.BufferedReader(raw), encoding=layout.encoding, errors="replace", newline=""
        ) as text,
    ):
        for number, line in enumerate(text, 1):
            if number <= layout.lines_before_data or line in _ENDS:
                continue
            if skip:
                skip -= 1
                continue
            if not as_wide and line.count(layout.delimiter) == delimiters and '"' not in line:
                continue  # millions of them, where a long log was cut off at its end
            yield number, next(csv.reader([line], delimiter=layout.delimiter))
