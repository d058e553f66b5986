"""Finding the header in the head of a CSV log: by the names a rig maps, or by how it looks."""

import csv
import io
from collections import Counter
from collections.abc import Collection, Sequence
from typing import Final, NamedTuple

from monitor.sources.lines.unit_row import is_unit
from monitor.sources.logs.cell_words import is_reading, says_nothing

MOST_LINES_BEFORE_HEADER: Final = 60
_DELIMITERS: Final = (",", ";", "\t", "|")
_MOST_NAME_ROWS: Final = 3  # names, other names, units: more is no header


class Header(NamedTuple):
    """Where a header stands.

    Attributes:
        delimiter: One character.
        line: Its last physical line.
        names: Its fields.
        following: The rows behind it, as far as the head goes.
    """

    delimiter: str
    line: int
    names: list[str]
    following: list[list[str]]


def by_names(text: str, known: Collection[str]) -> Header | None:
    """Return the row that holds the most of the names wanted; None where none of them stands.

    Args:
        text: A log's head.
        known: The names.
    """
    best: tuple[int, Header] | None = None
    for delimiter in _DELIMITERS:
        rows, ends = _rows(text, delimiter)
        for i, row in enumerate(rows[:MOST_LINES_BEFORE_HEADER]):
            score = sum(name.strip() in known for name in row)
            if score and (best is None or score > best[0]):
                best = score, Header(delimiter, ends[i], row, rows[i + 1 :])
    return None if best is None else best[1]


def by_shape(text: str) -> Header | None:
    """Return the row of names above the largest block of readings; None where there is none.

    Args:
        text: A log's head.
    """
    best: tuple[int, Header] | None = None
    for delimiter in _DELIMITERS:
        rows, ends = _rows(text, delimiter)
        widths = Counter(len(row) for row in rows if _are_readings(row))
        if not widths:
            continue
        width, count = max(widths.items(), key=lambda item: item[0] * item[1])
        first = next(i for i, row in enumerate(rows) if len(row) == width and _are_readings(row))
        at = _names_above(rows, first, width)
        if at is not None and (best is None or width * count > best[0]):
            best = width * count, Header(delimiter, ends[at], rows[at], rows[at + 1 :])
    return None if best is None else best[1]


def _rows(text: str, delimiter: str) -> tuple[list[list[str]], list[int]]:
    """Return the rows of a text, and the physical line that each ends in."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows: list[list[str]] = []
    ends: list[int] = []
    try:
        for row in reader:
            rows.append(row)
            ends.append(reader.line_num)
    except csv.Error:
        pass
    return rows, ends


def _are_readings(row: Sequence[str]) -> bool:
    """Whether a row is of readings: two of them, or one beside no more than a word."""
    readings = sum(is_reading(cell) for cell in row)
    words = sum(not says_nothing(cell) for cell in row) - readings
    return len(row) > 1 and (readings > 1 or 1 == readings >= words)


def _names_above(rows: Sequence[Sequence[str]], first: int, width: int) -> int | None:
    """Return which of the rows right above the first readings is the one of names."""
    found: list[int] = []
    for i in range(first - 1, -1, -1):
        row = rows[i]
        if all(says_nothing(cell) for cell in row) or _are_readings(row):
            continue
        # A delimiter behind the last name, or behind the last reading, makes a field more; decimal
        # commas between commas make up to twice as many, which is told later.
        is_as_wide = abs(len(row) - width) <= 1 or len(row) < width <= 2 * len(row)
        if len(found) == _MOST_NAME_ROWS or not (is_as_wide or (not found and len(row) > width)):
            break
        found.append(i)
    if not found:
        return None
    return found[1] if len(found) > 1 and _are_units(rows[found[0]]) else found[0]


def _are_units(row: Sequence[str]) -> bool:
    words = [cell for cell in row if not says_nothing(cell)]
    return 2 * sum(is_unit(word) for word in words) >= len(words)
