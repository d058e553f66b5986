"""Finding out how a CSV log is written: delimiter, decimal comma, encoding, header, unit rows."""

import codecs
import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.sources.logs.bounded_lines import LONGEST_LINE, BoundedLines
from rules.channels import ROW_NAMES
from simulator.rig import RigFile
from simulator.strict import BadInput, called, clean, unusable

HEAD_BYTES: Final = LONGEST_LINE + 2  # a first line that is too long shows in it
MOST_LINES_BEFORE_HEADER: Final = 60
_DELIMITERS: Final = (",", ";", "\t", "|")
# Cells that say nothing; spaces too, from loggers that pad their columns.
NOT_SENT_WORDS: Final = ["-", "--", "---", "NA", "N/A", "n/a", "null", "None"] + [
    " " * count for count in range(17)
]
_NOT_A_NUMBER_WORDS: Final = ("nan", "inf", "-inf")
_NUMBER: Final = {
    point: re.compile(rf"\s*[+-]?([0-9]+([{point}][0-9]*)?|[{point}][0-9]+)([eE][+-]?[0-9]+)?\s*")
    for point in ".,"
}
DECIMAL_COMMA: Final = re.compile(r"\s*[+-]?[0-9]*,[0-9]+\s*")
_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """How a CSV log is written.

    Attributes:
        names: The header's fields.
        delimiter: One character.
        decimal_point: ``.`` or ``,``.
        encoding: A Python codec's name.
        lines_before_data: Physical lines to skip to the first row of numbers.
        words: The first row of words under the header, most likely units; empty where none is.
        words_line: Its physical line; 0 where units are said elsewhere than in a row.
    """

    names: tuple[str, ...]
    delimiter: str
    decimal_point: str
    encoding: str
    lines_before_data: int
    words: tuple[str, ...] = ()
    words_line: int = 0


def read_layout(path: Path, rig_file: RigFile) -> CsvLayout:
    """Look at the head of a CSV file.

    Raises:
        BadInput: Unreadable, empty, not text, a line beyond all bounds, or nothing in it looks like
            the rig's columns.
    """
    try:
        with BoundedLines(path) as file:
            head = file.read(HEAD_BYTES)
    except OSError as error:
        raise unusable(path, error, "a readable log") from None
    if not head.strip():
        raise BadInput(f"{called(path)}: found an empty file, expected a header and rows")
    encoding, text = _decode(head, path)
    return _find_header(text, encoding, rig_file, path)


def is_number(cell: str, decimal_point: str) -> bool:
    """Whether a cell is a number, or says that it is none (``nan``)."""
    word = cell.strip().lower()
    return word in _NOT_A_NUMBER_WORDS or _NUMBER[decimal_point].fullmatch(cell) is not None


def _decode(head: bytes, path: Path) -> tuple[str, str]:
    for bom, encoding in _BOMS:
        if head.startswith(bom):
            return encoding, head[: len(head) // 2 * 2].decode(encoding, errors="replace")
    if b"\0" in head:
        raise BadInput(
            f"{called(path)}: found bytes that are neither text nor how a Parquet or Arrow file "
            "begins, expected a log (CSV, Parquet, Arrow IPC)"
        )
    try:
        return "utf-8", codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1", head.decode("latin-1")


def _find_header(text: str, encoding: str, rig_file: RigFile, path: Path) -> CsvLayout:
    known = {column.column for column in rig_file.columns.values()} | {rig_file.time.column}
    known |= set(ROW_NAMES[:-1])  # a log that flowdebt wrote can be read with any rig
    best: tuple[int, str, int, list[str], list[list[str]]] | None = None
    for delimiter in _DELIMITERS:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        rows: list[list[str]] = []
        ends: list[int] = []
        try:
            for row in reader:
                rows.append(row)
                ends.append(reader.line_num)
                if len(rows) >= MOST_LINES_BEFORE_HEADER:
                    break
        except csv.Error:
            pass
        for i, row in enumerate(rows):
            score = sum(name.strip() in known for name in row)
            if score and (best is None or score > best[0]):
                best = (score, delimiter, ends[i], row, rows[i + 1 :])
    if best is None:
        first = next((line for line in text.splitlines() if line.strip()), "")
        raise BadInput(
            f'{called(path)}:1: found "{clean(first)}", expected a header with the rig\'s '
            f'columns, such as "{clean(rig_file.time.column)}"'
        )
    _, delimiter, line, names, following = best
    ours = [index for index, name in enumerate(names) if name.strip() in known]
    comma = delimiter != "," and any(
        index < len(row) and DECIMAL_COMMA.fullmatch(row[index])
        for row in following
        for index in ours
    )
    point = "," if comma else "."
    words: tuple[str, ...] = ()
    words_line = 0
    for row in following:
        cells = [row[index] for index in ours if index < len(row)]
        # With a decimal comma between commas, a quoted "0,5" is no number, but no unit either.
        count = sum(
            not is_number(cell, point)
            and cell not in NOT_SENT_WORDS
            and not DECIMAL_COMMA.fullmatch(cell)
            for cell in cells
        )
        if 2 * count < len(cells):
            break
        line += 1  # a row of units (one of them may be "1"), or a blank line
        if cells and not words:
            words, words_line = tuple(cell.strip() for cell in row), line
    return CsvLayout(
        names=tuple(name.strip() for name in names),
        delimiter=delimiter,
        decimal_point=point,
        encoding=encoding,
        lines_before_data=line,
        words=words,
        words_line=words_line,
    )
