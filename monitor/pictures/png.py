"""A still as PNG, drawn cell by cell, so that nothing a cell holds can move another."""

import io
from functools import cache
from typing import Final

from matplotlib.ft2font import FT2Font
from PIL import Image, ImageDraw, ImageFont

from monitor.pictures.cells import Still
from monitor.pictures.fonts import bundled_font
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

SCALE: Final = 2  # pixels for each unit of a cell's 9 x 18
_WIDTH, _HEIGHT = CELL_WIDTH * SCALE, CELL_HEIGHT * SCALE
_FINE: Final = 8  # dots are drawn this much larger first, so that their edges are smooth
_MONO: Final = {
    (False, False): "DejaVuSansMono",
    (True, False): "DejaVuSansMono-Bold",
    (False, True): "DejaVuSansMono-Oblique",
    (True, True): "DejaVuSansMono-BoldOblique",
}
_OTHER: Final = "DejaVuSans"  # knows more scripts


def to_png(still: Still) -> bytes:
    """Return the picture as a PNG file."""
    margin = MARGIN * SCALE
    size = (still.width * _WIDTH + 2 * margin, still.height * _HEIGHT + 2 * margin)
    image = Image.new("RGB", size, still.ground)
    draw = ImageDraw.Draw(image)
    for x, y, cell in still.placed():
        left, top = margin + x * _WIDTH, margin + y * _HEIGHT
        right, bottom = left + cell.width * _WIDTH, top + _HEIGHT
        look = cell.look
        if look.ground != still.ground:
            draw.rectangle((left, top, right - 1, bottom - 1), fill=look.ground)
        mask = _mask(cell.text, cell.width, look.bold, look.italic)
        if mask is not None:
            image.paste(look.ink, (left, top), mask)
        if look.underlined:
            line = top + (BASELINE + 2) * SCALE
            draw.rectangle((left, line, right - 1, line + SCALE - 1), fill=look.ink)
        if look.struck:
            line = top + _HEIGHT // 2
            draw.rectangle((left, line, right - 1, line + SCALE - 1), fill=look.ink)
    file = io.BytesIO()
    image.save(file, "PNG", optimize=False)
    _mask.cache_clear()
    return file.getvalue()


@cache
def _mask(text: str, width: int, bold: bool, italic: bool) -> Image.Image | None:
    """Return how much of each pixel of a cell is ink, 0 to 255; None where there is none."""
    if text == " ":
        return None
    size = (width * _WIDTH, _HEIGHT)
    made = shapes(text)
    if made is not None:
        return _drawn(made, size)
    mask = Image.new("L", size)
    draw = ImageDraw.Draw(mask)
    name = _font_with(text, bold, italic)
    if name is None:  # no font here has it: a frame says that something stands there
        inset = 2 * SCALE
        draw.rectangle(
            (inset, inset, size[0] - inset - 1, size[1] - inset - 1), outline=255, width=SCALE
        )
        return mask
    font = _font(name)
    # In the middle of its cell, as glyphs of the other font are wider or narrower than a cell.
    spare = size[0] - font.getlength(text)
    draw.text((spare / 2, BASELINE * SCALE), text, fill=255, font=font, anchor="ls")
    return mask


def _drawn(made: tuple[Dot | Box, ...], size: tuple[int, int]) -> Image.Image:
    mask = Image.new("L", size)
    draw = ImageDraw.Draw(mask)
    width, height = size
    for shape in made:
        if isinstance(shape, Box):
            # At least one whole pixel: a line must not vanish between two.
            left, top = _whole(shape.left * width), _whole(shape.top * height)
            right = max(left + 1, _whole(shape.right * width))
            bottom = max(top + 1, _whole(shape.bottom * height))
            draw.rectangle((left, top, right - 1, bottom - 1), fill=round(255 * shape.strength))
    dots = [shape for shape in made if isinstance(shape, Dot)]
    if dots:
        fine = Image.new("L", (width * _FINE, height * _FINE))
        pen = ImageDraw.Draw(fine)
        radius = DOT_RADIUS * SCALE * _FINE
        for dot in dots:
            x, y = dot.x * width * _FINE, dot.y * height * _FINE
            pen.ellipse((x - radius, y - radius, x + radius - 1, y + radius - 1), fill=255)
        mask.paste(fine.resize(size, Image.Resampling.BOX))
    return mask


def _whole(pixels: float) -> int:
    """Round halves up: ``round`` would make a line from 8.5 to 9.5 two pixels thick."""
    return int(pixels + 0.5)


def _font_with(text: str, bold: bool, italic: bool) -> str | None:
    for name in (_MONO[bold, italic], _OTHER):
        if all(ord(char) in _known(name) for char in text):
            return name
    return None


@cache
def _known(name: str) -> frozenset[int]:
    """Return the characters a font has."""
    return frozenset(FT2Font(bundled_font(name)).get_charmap())


@cache
def _font(name: str) -> ImageFont.FreeTypeFont:
    # The basic layout knows no direction: every character is drawn where its cell is.
    return ImageFont.truetype(
        bundled_font(name), FONT_SIZE * SCALE, layout_engine=ImageFont.Layout.BASIC
    )
