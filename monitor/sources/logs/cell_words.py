"""What a cell of a CSV log says: a number, a time of day, or nothing."""

import re
from collections.abc import Iterable
from typing import Final

# Cells that say nothing; spaces too, from loggers that pad their columns.
NOT_SENT_WORDS: Final = ["-", "--", "---", "NA", "N/A", "n/a", "null", "None"] + [
    " " * count for count in range(17)
]
DECIMAL_COMMA: Final = re.compile(r"\s*[+-]?[0-9]*,[0-9]+\s*")
_NOT_A_NUMBER_WORDS: Final = ("nan", "inf", "-inf")
_NUMBER: Final = {
    point: re.compile(rf"\s*[+-]?([0-9]+([{point}][0-9]*)?|[{point}][0-9]+)([eE][+-]?[0-9]+)?\s*")
    for point in ".,"
}
# A time of day, or time gone by, with or without a date; groups are those of ``clock_time``. Two
# fields are minutes and seconds, unless a date stands before them.
CLOCK: Final = (
    r"\s*(?:(?P<first>[0-9]{1,4})(?P<between>[-./])(?P<second>[0-9]{1,2})[-./]"
    r"(?P<third>[0-9]{1,4})[T _,]\s*)?"
    r"(?P<h>[0-9]{1,4}):(?P<m>[0-9]{1,2})(?::(?P<s>[0-9]{1,2}))?(?:[.,:](?P<fraction>[0-9]{1,9}))?"
    r"\s*(?P<half>[AaPp][Mm])?\s*(?P<zone>Z|[+-][0-9]{2}:?[0-9]{2})?\s*"
)
_CLOCK: Final = re.compile(CLOCK)


def is_number(cell: str, decimal_point: str) -> bool:
    """Whether a cell is a number, or says that it is none (``nan``)."""
    word = cell.strip().lower()
    return word in _NOT_A_NUMBER_WORDS or _NUMBER[decimal_point].fullmatch(cell) is not None


def is_clock(cell: str) -> bool:
    """Whether a cell is a time such as 14:05:06.1, 05:06.1 or 2024-03-12 14:05:06."""
    return _CLOCK.fullmatch(cell) is not None


def are_clocks(cells: Iterable[str]) -> bool:
    """Whether some cells are clock times, and more of them than numbers."""
    clocks = [is_clock(cell) for cell in cells if is_reading(cell)]
    return 2 * sum(clocks) > len(clocks)


def says_nothing(cell: str) -> bool:
    """Whether a cell is empty, or says that nothing was sent."""
    return not cell.strip() or cell in NOT_SENT_WORDS


def is_reading(cell: str) -> bool:
    """Whether a cell is a number, with a point or a comma, or a time."""
    return is_number(cell, ".") or is_number(cell, ",") or is_clock(cell)
