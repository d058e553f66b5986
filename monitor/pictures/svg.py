"""A still as SVG: text where there is text, shapes where there are drawings.

It asks for no font from anywhere: each run of text is told how wide it is, so cells stay where
they are in whatever font the reader has.
"""

from collections.abc import Iterator
from itertools import groupby
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from monitor.pictures.cells import Cell, Look, Rgb, Still
from monitor.pictures.shapes import (
    BASELINE,
    CELL_HEIGHT,
    CELL_WIDTH,
    DOT_RADIUS,
    FONT_SIZE,
    MARGIN,
    Box,
    Dot,
    shapes,
)

FONTS: Final = "DejaVu Sans Mono, Menlo, Consolas, Liberation Mono, monospace"


def to_svg(still: Still) -> str:
    """Return the picture as an SVG document."""
    width = still.width * CELL_WIDTH + 2 * MARGIN
    height = still.height * CELL_HEIGHT + 2 * MARGIN
    # Characters that XML has no place for are not in cells; see ``split``.
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="{-MARGIN} {-MARGIN} {width} {height}" role="img" aria-labelledby="title text">',
        f'<title id="title">{escape(still.title)}</title>',
        f'<desc id="text">{escape(chr(10).join(still.lines()))}</desc>',
        _rect(-MARGIN, -MARGIN, width, height, still.ground),
        '<g shape-rendering="crispEdges">',
        *_grounds(still),
        *_boxes(still),
        "</g>",
        f'<g font-family="{FONTS}" font-size="{FONT_SIZE}" direction="ltr" '
        'style="unicode-bidi: isolate-override">',
        *_texts(still),
        "</g>",
        *_dots(still),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _hex(color: Rgb) -> str:
    return "#{:02x}{:02x}{:02x}".format(*color)


def _rect(x: float, y: float, width: float, height: float, fill: Rgb, more: str = "") -> str:
    return (
        f'<rect x="{x:zg}" y="{y:zg}" width="{width:zg}" height="{height:zg}" '
        f'fill="{_hex(fill)}"{more}/>'
    )


def _grounds(still: Still) -> Iterator[str]:
    for (y, ground), run in groupby(still.placed(), lambda at: (at[1], at[2].look.ground)):
        if ground != still.ground:
            cells = list(run)
            x = cells[0][0]
            width = sum(cell.width for _, _, cell in cells)
            yield _rect(x * CELL_WIDTH, y * CELL_HEIGHT, width * CELL_WIDTH, CELL_HEIGHT, ground)


def _texts(still: Still) -> Iterator[str]:
    for y in range(still.height):
        for x, width, text, look in text_runs(still, y):
            yield _text(x, y, width, text, look)


def text_runs(still: Still, y: int) -> Iterator[tuple[int, int, str, Look]]:
    """Yield a row's runs of text: column, width in cells, text, look.

    A run has one look and no two spaces together. What isn't plain enough to be sure of its width
    and direction stands alone.
    """
    x = start = 0
    held: list[Cell] = []
    for cell in still.rows[y]:
        letter = cell.text != " " and shapes(cell.text) is None
        plain = letter and cell.width == 1 and cell.text.isascii()
        goes_on = bool(held) and held[-1].look == cell.look and held[-1].text.isascii()
        inner = cell.text == " " and goes_on and held[-1].text != " "
        if not ((plain and goes_on) or inner) and held:
            yield from _run(start, held)
            held = []
        if letter or inner:
            if not held:
                start = x
            held.append(cell)
        x += cell.width
    if held:
        yield from _run(start, held)


def _run(start: int, cells: list[Cell]) -> Iterator[tuple[int, int, str, Look]]:
    while cells[-1].text == " ":
        cells = cells[:-1]
    width = sum(cell.width for cell in cells)
    yield start, width, "".join(cell.text for cell in cells), cells[0].look


def _text(x: int, y: int, width: int, text: str, look: Look) -> str:
    more = ' font-weight="bold"' if look.bold else ""
    more += ' font-style="italic"' if look.italic else ""
    return (
        f'<text x="{x * CELL_WIDTH}" y="{y * CELL_HEIGHT + BASELINE}" '
        f'textLength="{width * CELL_WIDTH}" lengthAdjust="spacingAndGlyphs" '
        f"fill={quoteattr(_hex(look.ink))}{more}>{escape(text)}</text>"
    )


def _boxes(still: Still) -> Iterator[str]:
    for x, y, cell in still.placed():
        left, top, look = x * CELL_WIDTH, y * CELL_HEIGHT, cell.look
        for shape in shapes(cell.text) or ():
            if isinstance(shape, Box):
                yield _rect(
                    left + shape.left * CELL_WIDTH,
                    top + shape.top * CELL_HEIGHT,
                    (shape.right - shape.left) * CELL_WIDTH,
                    (shape.bottom - shape.top) * CELL_HEIGHT,
                    look.ink,
                    "" if shape.strength == 1.0 else f' fill-opacity="{shape.strength:zg}"',
                )
        if look.underlined:
            yield _rect(left, top + BASELINE + 2, cell.width * CELL_WIDTH, 1, look.ink)
        if look.struck:
            yield _rect(left, top + CELL_HEIGHT / 2, cell.width * CELL_WIDTH, 1, look.ink)


def _dots(still: Still) -> Iterator[str]:
    for ink, run in groupby(still.placed(), lambda at: at[2].look.ink):
        made = [
            f'<circle cx="{(x + dot.x) * CELL_WIDTH:zg}" cy="{(y + dot.y) * CELL_HEIGHT:zg}" '
            f'r="{DOT_RADIUS:zg}"/>'
            for x, y, cell in run
            for dot in shapes(cell.text) or ()
            if isinstance(dot, Dot)
        ]
        if made:
            yield f'<g fill="{_hex(ink)}">'
            yield from made
            yield "</g>"
