"""Finding out how a CSV log is written: delimiter, decimal comma, encoding, header, unit rows."""

import codecs
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path
from typing import Final

from monitor.sources.lines.columns import names_wanted
from monitor.sources.logs.bounded_lines import LONGEST_LINE, BoundedLines
from monitor.sources.logs.cell_words import (
    DECIMAL_COMMA,
    are_clocks,
    is_clock,
    is_number,
    is_reading,
    says_nothing,
)
from monitor.sources.logs.header import Header, by_names, by_shape
from rules.channels import ROW_NAMES
from simulator.rig import RigFile
from simulator.strict import BadInput, called, clean, unusable

HEAD_BYTES: Final = LONGEST_LINE + 2  # a first line that is too long shows in it
_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """How a CSV log is written.

    Attributes:
        names: The header's fields; one more, empty, where every row ends in a delimiter.
        delimiter: One character.
        decimal_point: ``.`` or ``,``.
        encoding: A Python codec's name.
        header_line: The header's physical line; its last where it takes several.
        lines_before_data: Physical lines to skip to the first row of numbers.
        words: The first row of words under the header, most likely units; empty where none is.
        words_line: Its physical line; 0 where units are said elsewhere than in a row.
        first_rows: The first rows of readings, as far as the head of the file goes.
    """

    names: tuple[str, ...]
    delimiter: str
    decimal_point: str
    encoding: str
    header_line: int
    lines_before_data: int
    words: tuple[str, ...] = ()
    words_line: int = 0
    first_rows: tuple[tuple[str, ...], ...] = ()

    def is_clock(self, index: int) -> bool:
        """Whether a column's first rows hold clock times, and more of these than numbers."""
        return are_clocks(row[index] for row in self.first_rows if index < len(row))

    def no_rows(self, path: Path) -> BadInput:
        """Return what to raise where no row could be used."""
        width, names = _usual_width(self.first_rows), len(self.names)
        if not width or width == names:
            where = f"{called(path)}:{self.lines_before_data}"
            return BadInput(f"{where}: found no rows of numbers below this line, expected some")
        commas = (
            "; are these decimal commas? Write decimal points, or separate fields by semicolons"
            if width > names and self.delimiter == ","
            else ""
        )
        return BadInput(
            f"{called(path)}:{self.lines_before_data + 1}: found rows of {width} fields under a "
            f"header of {names}, expected as many{commas}"
        )


def read_layout(path: Path, rig_file: RigFile | None) -> CsvLayout:
    """Look at the head of a CSV file.

    Args:
        path: The file.
        rig_file: Whose columns its header holds; None where that isn't known yet: then the header
            is what stands above the readings.

    Raises:
        BadInput: Unreadable, empty, not text, a line beyond all bounds, or nothing in it looks like
            the rig's columns, or like a header.
    """
    try:
        with BoundedLines(path) as file:
            head = file.read(HEAD_BYTES)
    except OSError as error:
        raise unusable(path, error, "a readable log") from None
    if not head.strip():
        raise BadInput(f"{called(path)}: found an empty file, expected a header and rows")
    encoding, text = _decode(head, path)
    # A log that flowdebt wrote can be read with any rig.
    known = None if rig_file is None else {*names_wanted(rig_file), *ROW_NAMES[:-1]}
    header = by_shape(text) if known is None else by_names(text, known)
    if header is None:
        written = [(at, line) for at, line in enumerate(text.splitlines(), 1) if line.strip()]
        uncommented = [one for one in written if one[1].lstrip()[0] != "#"]
        at, first = [*uncommented, *written, (1, "")][0]
        wanted = "a header of names, and rows of numbers below it"
        if rig_file is not None:
            column = clean(rig_file.time.column)
            wanted = f'a header with the rig\'s columns, such as "{column}"'
        raise BadInput(f'{called(path)}:{at}: found "{clean(first)}", expected {wanted}')
    return _layout(header, encoding, known)


def _decode(head: bytes, path: Path) -> tuple[str, str]:
    for bom, encoding in _BOMS:
        if head.startswith(bom):
            return encoding, _whole_pairs(head).decode(encoding, errors="replace")
    head = head.rstrip(b"\0")  # what a power loss may leave behind the last row
    if b"\0" in head:
        # Of two bytes a sign, the higher is nought in whatever is not far from English.
        for first, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
            if 2 * head[first::2].count(0) > len(head[first::2]) and not head[1 - first :: 2].count(
                0
            ):
                return encoding, _whole_pairs(head).decode(encoding, errors="replace")
        raise BadInput(
            f"{called(path)}: found bytes that are neither text nor how a Parquet or Arrow file "
            "begins, expected a log (CSV, Parquet, Arrow IPC)"
        )
    try:
        return "utf-8", codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1", head.decode("latin-1")


def _whole_pairs(head: bytes) -> bytes:
    return head[: len(head) // 2 * 2]


def _layout(header: Header, encoding: str, known: Collection[str] | None) -> CsvLayout:
    names, following = [name.strip() for name in header.names], header.following
    if known is None or names[0] not in known:
        names[0] = names[0].lstrip("# ")  # some mark the header as a comment
    ours = _of_readings(names, following)
    if known is not None:
        ours = [index for index, name in enumerate(names) if name in known]
    comma = header.delimiter != "," and any(
        index < len(row) and DECIMAL_COMMA.fullmatch(row[index])
        for row in following
        for index in ours
    )
    point = "," if comma else "."
    above = list(takewhile(lambda row: _is_of_words(row, ours, point), following))
    words_at = next((at for at, row in enumerate(above) if any(row)), None)
    first_rows = [tuple(row) for row in following[len(above) :] if row]
    return CsvLayout(
        names=tuple(_as_wide_as(first_rows, names)),
        delimiter=header.delimiter,
        decimal_point=point,
        encoding=encoding,
        header_line=header.line,
        lines_before_data=header.line + len(above),
        words=() if words_at is None else tuple(cell.strip() for cell in above[words_at]),
        words_line=0 if words_at is None else header.line + words_at + 1,
        first_rows=tuple(first_rows),
    )


def _of_readings(names: Sequence[str], rows: Sequence[Sequence[str]]) -> list[int]:
    """Return the columns that hold more readings than words."""
    cells = [[row[i] for row in rows if i < len(row)] for i in range(len(names))]
    return [
        i
        for i, column in enumerate(cells)
        if 2 * sum(map(is_reading, column)) > sum(not says_nothing(cell) for cell in column)
    ]


def _is_of_words(row: Sequence[str], ours: Sequence[int], point: str) -> bool:
    """Whether a row is one of units (one of them may be "1"), or a blank line."""
    cells = [row[index] for index in ours if index < len(row)]
    # With a decimal comma between commas, a quoted "0,5" is no number, but no unit either.
    count = sum(
        not (is_number(cell, point) or says_nothing(cell) or is_clock(cell))
        and not DECIMAL_COMMA.fullmatch(cell)
        for cell in cells
    )
    return 2 * count >= len(cells)


def _usual_width(rows: Sequence[Sequence[str]]) -> int:
    """Return how many fields most rows have; nought where there are none."""
    return Counter(map(len, rows)).most_common(1)[0][0] if rows else 0


def _as_wide_as(rows: Sequence[Sequence[str]], names: list[str]) -> list[str]:
    """Return as many names as rows have fields, where only a last delimiter makes them differ."""
    width = _usual_width(rows)
    if width == len(names) - 1 and not names[-1]:
        return names[:-1]
    ends = [row[-1] for row in rows if len(row) == width]
    if width == len(names) + 1 and all(says_nothing(end) for end in ends):
        return [*names, ""]
    return names
