"""Characters that are drawings, as shapes: braille, blocks, lines. Fonts differ on them most.

A cell is 1 wide and 1 high here, from its upper left corner. Code charts: The Unicode Standard,
blocks Box Drawing (2500), Block Elements (2580) and Braille Patterns (2800).
"""

import unicodedata
from dataclasses import dataclass
from functools import cache
from typing import Final

# A cell's size in the unit pictures are laid out in, and the thickness of lines in it.
CELL_WIDTH: Final = 9
CELL_HEIGHT: Final = 18
THICKNESS: Final = {"LIGHT": 1.0, "HEAVY": 2.0}
DOT_RADIUS: Final = 1.5
FONT_SIZE: Final = 15
BASELINE: Final = 14
MARGIN: Final = 9  # around a picture, in the same unit, so that nothing stands at its very edge

# Dots 1 to 8 of a braille cell, bit by bit: column of two, row of four.
_DOTS: Final = ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3))
# Quadrants of 2596 to 259F: upper left 1, upper right 2, lower left 4, lower right 8.
_QUADRANTS: Final = (4, 8, 1, 13, 9, 7, 11, 2, 6, 14)
_SHADES: Final = {"░": 0.25, "▒": 0.5, "▓": 0.75}
_ARMS: Final = {
    "LEFT": ("left",),
    "RIGHT": ("right",),
    "UP": ("up",),
    "DOWN": ("down",),
    "HORIZONTAL": ("left", "right"),
    "VERTICAL": ("up", "down"),
}
_DASHES: Final = {"DOUBLE": 2, "TRIPLE": 3, "QUADRUPLE": 4}


@dataclass(frozen=True, slots=True)
class Dot:
    """A dot, ``DOT_RADIUS`` thick, by its middle as shares of the cell."""

    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Box:
    """A filled rectangle, as shares of the cell; ``strength`` of 1 hides what is behind it."""

    left: float
    top: float
    right: float
    bottom: float
    strength: float = 1.0


Shape = Dot | Box


@cache
def shapes(char: str) -> tuple[Shape, ...] | None:
    """Return what a character is made of, or None where it is not a drawing (or a double line)."""
    code = ord(char) if len(char) == 1 else 0
    if 0x2800 <= code <= 0x28FF:
        bits = code - 0x2800
        return tuple(
            Dot((column + 0.5) / 2, (row + 0.5) / 4)
            for bit, (column, row) in enumerate(_DOTS)
            if bits >> bit & 1
        )
    if 0x2580 <= code <= 0x259F:
        return _block(char, code)
    if 0x2500 <= code <= 0x257F:
        return _lines(unicodedata.name(char).removeprefix("BOX DRAWINGS ").split())
    return None


def _block(char: str, code: int) -> tuple[Shape, ...]:
    if char in _SHADES:
        return (Box(0.0, 0.0, 1.0, 1.0, _SHADES[char]),)
    if code == 0x2580:
        return (Box(0.0, 0.0, 1.0, 0.5),)
    if code <= 0x2588:  # from one eighth at the bottom to all of it
        return (Box(0.0, 1.0 - (code - 0x2580) / 8, 1.0, 1.0),)
    if code <= 0x258F:  # from seven eighths on the left to one
        return (Box(0.0, 0.0, (0x2590 - code) / 8, 1.0),)
    if code == 0x2590:
        return (Box(0.5, 0.0, 1.0, 1.0),)
    if code == 0x2594:
        return (Box(0.0, 0.0, 1.0, 0.125),)
    if code == 0x2595:
        return (Box(0.875, 0.0, 1.0, 1.0),)
    quadrants = _QUADRANTS[code - 0x2596]
    return tuple(
        Box(x / 2, y / 2, (x + 1) / 2, (y + 1) / 2)
        for bit, (x, y) in enumerate(((0, 0), (1, 0), (0, 1), (1, 1)))
        if quadrants >> bit & 1
    )


def _lines(words: list[str]) -> tuple[Shape, ...] | None:
    """Return a box drawing by its Unicode name, which says all: VERTICAL HEAVY AND LEFT LIGHT."""
    dashes = 1
    if "DASH" in words:
        at = words.index("DASH")
        dashes = _DASHES[words[at - 1]]
        words = words[: at - 1] + words[at + 1 :]
    if "DOUBLE" in words or "SINGLE" in words or "DIAGONAL" in words:
        return None
    arms: dict[str, float] = {}
    weight = "LIGHT"
    for part in " ".join(words).split(" AND "):
        said = part.split()
        weight = next((word for word in said if word in THICKNESS), weight)
        for word in said:
            for arm in _ARMS.get(word, ()):
                arms[arm] = THICKNESS[weight]
    made: list[Shape] = []
    for (one, other), horizontal in ((("left", "right"), True), (("up", "down"), False)):
        a, b = arms.get(one, 0.0), arms.get(other, 0.0)
        # Arms reach past the middle by half a line, so that corners are full.
        across = [
            arms.get(arm, 0.0) for arm in (("up", "down") if horizontal else ("left", "right"))
        ]
        reach = max(*across, a, b) / 2 / (CELL_WIDTH if horizontal else CELL_HEIGHT)
        if a and a == b:
            made += _line(0.0, 1.0, a, dashes, horizontal=horizontal)
        else:
            if a:
                made += _line(0.0, 0.5 + reach, a, dashes, horizontal=horizontal)
            if b:
                made += _line(0.5 - reach, 1.0, b, dashes, horizontal=horizontal)
    return tuple(made)


def _line(
    start: float, end: float, thickness: float, dashes: int, *, horizontal: bool
) -> list[Shape]:
    half = thickness / 2 / (CELL_HEIGHT if horizontal else CELL_WIDTH)
    step = (end - start) / dashes
    made: list[Shape] = []
    for i in range(dashes):
        # Half the gap at either end, so that dashes go on evenly into the next cell.
        gap = step / 5 if dashes > 1 else 0.0
        a, b = start + i * step + gap, start + (i + 1) * step - gap
        made.append(
            Box(a, 0.5 - half, b, 0.5 + half) if horizontal else Box(0.5 - half, a, 0.5 + half, b)
        )
    return made
