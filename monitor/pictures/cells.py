"""The cells of a running application's screen: what stands in each, and how it looks."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

from rich.cells import get_character_cell_size
from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual.app import App

from monitor.words.literal import plain
from simulator.strict import BadInput

WIDEST: Final = 300  # cells; at scale 2 a picture of 5400 x 3600 pixels
TALLEST: Final = 100
MOST_IN_A_CELL: Final = 4  # one character and its marks
Rgb = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Look:
    """How a cell looks.

    Attributes:
        ink: Colour of what stands in it, red, green and blue from 0 to 255.
        ground: Colour behind it.
        bold: Whether it is bold.
        italic: Whether it is italic.
        underlined: Whether there is a line under it.
        struck: Whether there is a line through it.
    """

    ink: Rgb
    ground: Rgb
    bold: bool = False
    italic: bool = False
    underlined: bool = False
    struck: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell, or two that a wide character fills.

    Attributes:
        text: What stands in it: a character, with its combining marks.
        width: How many cells it fills, 1 or 2.
        look: How it looks.
    """

    text: str
    width: int
    look: Look


@dataclass(frozen=True, slots=True)
class Still:
    """A screen at one moment.

    Attributes:
        width: Its width, cells.
        height: Its height, cells.
        rows: Its rows from the top; the widths of each row's cells add up to ``width``.
        ground: Colour behind everything.
        title: What it shows, for those who don't see it.
    """

    width: int
    height: int
    rows: tuple[tuple[Cell, ...], ...]
    ground: Rgb
    title: str = "flowdebt"

    def placed(self) -> Iterator[tuple[int, int, Cell]]:
        """Yield every cell with its column and row."""
        for y, row in enumerate(self.rows):
            x = 0
            for cell in row:
                yield x, y, cell
                x += cell.width

    def lines(self) -> list[str]:
        """Return the text of the rows, without what is empty at their ends."""
        return ["".join(cell.text for cell in row).rstrip() for row in self.rows]


def still(app: App[Any], title: str = "flowdebt") -> Still:
    """Return what a running application's screen shows now.

    Args:
        app: The application, running on a terminal, in a browser or in a test.
        title: What it shows, in a few words.

    Raises:
        BadInput: The screen is empty, or larger than a picture may be.
    """
    width, height = app.size
    if not (0 < width <= WIDEST and 0 < height <= TALLEST):
        raise BadInput(
            f"picture: found a screen of {width}x{height} cells, expected 1x1 to {WIDEST}x{TALLEST}"
        )
    # Textual has no public way to a screen's finished lines, except as its own kind of SVG.
    strips = app.screen._compositor.render_strips()
    theme = app.current_theme
    ink = _rgb(Color.parse(theme.foreground or "#ffffff"), (255, 255, 255))
    ground = _rgb(Color.parse(theme.background or "#000000"), (0, 0, 0))
    base = Look(ink, ground)
    rows = [tuple(fit(_cells(strip, base), width, base)) for strip in strips[:height]]
    empty = tuple(Cell(" ", 1, base) for _ in range(width))
    rows += [empty] * (height - len(rows))
    return Still(width, height, tuple(rows), ground, plain(title))


def _cells(segments: Iterable[Segment], base: Look) -> Iterator[Cell]:
    for segment in segments:
        if not segment.control:
            look = _look(segment.style, base)
            # However a run of characters is counted, what follows it stands where it stood.
            yield from fit(split(segment.text, look), segment.cell_length, look)


def split(text: str, look: Look) -> Iterator[Cell]:
    """Yield the cells of a text; marks go with the character before them."""
    held, width = "", 0
    for char in text:
        cells = get_character_cell_size(char)
        if cells == 0 or not (char.isprintable() or char == " "):
            if cells == 0 and held and char.isprintable() and len(held) < MOST_IN_A_CELL:
                held += char
            if cells == 0:
                continue
            char = "\ufffd"
        if held:
            yield Cell(held, width, look)
        held, width = char, cells
    if held:
        yield Cell(held, width, look)


def fit(cells: Iterable[Cell], width: int, look: Look) -> Iterator[Cell]:
    """Yield cells up to a width, and empty ones where they are too few; half a cell is none."""
    left = width
    for cell in cells:
        if cell.width > left:
            break
        left -= cell.width
        yield cell
    for _ in range(left):
        yield Cell(" ", 1, look)


@lru_cache(maxsize=4096)
def _look(style: Style | None, base: Look) -> Look:
    if style is None:
        return base
    ink = _rgb(style.color, base.ink)
    ground = _rgb(style.bgcolor, base.ground)
    if style.reverse:
        ink, ground = ground, ink
    if style.conceal:  # dim text comes as the colour it is: Textual works that out
        ink = ground
    return Look(
        ink,
        ground,
        bold=bool(style.bold),
        italic=bool(style.italic),
        underlined=bool(style.underline or style.underline2),
        struck=bool(style.strike),
    )


def _rgb(color: Color | None, default: Rgb) -> Rgb:
    if color is None or color.is_default:
        return default
    red, green, blue = color.get_truecolor()
    return red, green, blue
