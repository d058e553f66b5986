"""Text on the screen is literal: nothing that comes in a message can steer screen or terminal.

Panes draw segments (text and style, line by line), a road on which markup is never parsed; what
is left to take out are the characters a terminal itself obeys.
"""

import unicodedata
from collections.abc import Sequence
from math import nan
from typing import Final

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style

LONGEST: Final = 400
MOST_MARKS: Final = 2  # combining marks on one character

# Controls (C0, C1), format characters (all bidi controls and joiners are among them), surrogates,
# private use, unassigned, line and paragraph separators.
_DROPPED: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_VARIATIONS: Final = range(0xFE00, 0xFE10)


def plain(text: object, longest: int = LONGEST) -> str:
    """Return ``text`` on one line, without anything a terminal obeys, cut at ``longest``."""
    given = text if isinstance(text, str) else str(text)
    if len(given) <= longest and given.isascii() and given.isprintable():
        return given
    kept: list[str] = []
    marks = 0
    for char in given[: 4 * longest]:
        kind = unicodedata.category(char)
        marks = marks + 1 if kind in {"Mn", "Me"} else 0
        if char in "\t\n\r\v\f":
            kept.append(" ")
        elif kind not in _DROPPED and marks <= MOST_MARKS and ord(char) not in _VARIATIONS:
            kept.append(char)
    line = "".join(kept)
    if len(line) <= longest and len(given) <= 4 * longest:
        return line
    return line[: longest - 1] + "…"


def literal(text: object, style: Style, longest: int = LONGEST) -> Segment:
    """Return ``text`` as a segment that shows it and does nothing else."""
    return Segment(plain(text, longest), style)


def wrapped(text: str, width: int, most_lines: int) -> list[str]:
    """Break a line at spaces so that each part fits ``width`` cells; the last may end in "…"."""
    lines: list[str] = []
    line = ""
    width = max(1, width)
    for word in plain(text).split():
        longer = f"{line} {word}" if line else word
        if cell_len(longer) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        line = shortened(word, width)
    lines.append(line)
    if len(lines) > most_lines:
        lines = lines[:most_lines]
        lines[-1] = shortened(lines[-1] + " …", width, cut=True)
    return lines


def fitted(said: Sequence[str], width: int, most_lines: int) -> list[str]:
    """Break the first of some ways to say a thing that has room whole; else cut the last, shortest.

    Args:
        said: Ways to say it, at least one, the fullest first.
        width: Cells of a line.
        most_lines: Lines there are.
    """
    for text in said:
        lines = wrapped(text, width, most_lines + 1)
        # A line more is allowed than wanted: if it stays unused, nothing was cut.
        if len(lines) <= most_lines and not lines[-1].endswith("…"):
            return lines
    return wrapped(said[-1], width, most_lines)


def shortened(text: str, width: int, *, cut: bool = False) -> str:
    """Return ``text`` in at most ``width`` cells, with "…" at its end where it was cut."""
    if cell_len(text) <= width:
        return text
    body = text.removesuffix(" …") if cut else text
    return set_cell_size(body, max(0, width - 1)).rstrip() + "…"


def or_nan(value: float | None) -> float:
    """Return a number out of a message; NaN where it is unknown."""
    return nan if value is None else value


def or_unknown(value: float | None, decimals: int) -> str:
    """Return a number out of a message as a line says it; "unknown" where it is."""
    return "unknown" if value is None else f"{value:z.{decimals}f}"


def figure(value: float, decimals: int) -> str:
    """Return a number as text; "--" where it is unknown, and never wider than 8 characters."""
    if value != value:
        return "--"
    if abs(value) >= 1e6:
        return f"{value:z.1e}"
    text = f"{value:z.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text
