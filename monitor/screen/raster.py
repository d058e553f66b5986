"""From samples to braille: 2 x 4 dots a cell, all columns at once.

Unicode 15, block 2800 "Braille Patterns": each dot of a cell is one bit above U+2800.
"""

from itertools import groupby
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from rich.segment import Segment
from rich.style import Style

from monitor.screen.trace import Floats

Dots = npt.NDArray[np.bool_]

LONGEST_JOIN_S: Final = 0.3  # samples further apart are not joined: a gap is a gap

_BITS: Final = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], dtype=np.int64)


class Reach(NamedTuple):
    """Lowest and highest value a line has in each dot column; NaN where it isn't."""

    low: Floats
    high: Floats


def reach(times_s: Floats, values: Floats, from_s: float, to_s: float, columns: int) -> Reach:
    """Return what a line covers in each of ``columns`` between two times.

    Neighbouring finite samples at most ``LONGEST_JOIN_S`` apart are joined.

    Args:
        times_s: Not falling.
        values: NaN where unknown.
        from_s: Left edge.
        to_s: Right edge, above ``from_s``.
        columns: At least 1.
    """
    edges = np.linspace(from_s, to_s, columns + 1)
    n = len(times_s)
    if n == 0:
        nothing = np.full(columns, np.nan)
        return Reach(nothing, nothing.copy())
    at = np.searchsorted(times_s, edges)
    at[-1] = np.searchsorted(times_s, to_s, side="right")
    # Where the joined line crosses each edge.
    after = np.clip(at, 1, max(1, n - 1))
    if n > 1:
        before = after - 1
        apart = times_s[after] - times_s[before]
        joined = (at > 0) & (at < n) & (apart <= LONGEST_JOIN_S) & (apart > 0.0)
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            part = np.clip((edges - times_s[before]) / apart, 0.0, 1.0)
            crossing = values[before] + part * (values[after] - values[before])
        crossing[~joined] = np.nan
    else:
        crossing = np.full(columns + 1, np.nan)
    starts = np.minimum(at[:-1], n - 1)
    empty = at[1:] <= at[:-1]
    last = int(at[-1])
    span = values[:last] if 0 < last < n else values
    starts = np.minimum(starts, len(span) - 1)
    low = np.fmin.reduceat(span, starts)
    high = np.fmax.reduceat(span, starts)
    low[empty] = high[empty] = np.nan
    low = np.fmin(np.fmin(low, crossing[:-1]), crossing[1:])
    high = np.fmax(np.fmax(high, crossing[:-1]), crossing[1:])
    return Reach(low, high)


def fill(low: Floats, high: Floats, bottom: float, top: float, rows: int) -> Dots:
    """Return the dots between two values in each column; ``rows`` dots from top to bottom."""
    scale = (rows - 1) / (top - bottom)
    with np.errstate(invalid="ignore"):
        upper = np.rint(np.clip((top - high) * scale, -1.0, rows))
        lower = np.rint(np.clip((top - low) * scale, -1.0, rows))
        at = np.arange(rows, dtype=np.float64)[:, None]
        dots: Dots = (at >= upper) & (at <= lower)
    return dots


def thick(dots: Dots, *, heavy: bool) -> Dots:
    """Return a line's dots, with one more above each where it is to be heavy."""
    if not heavy:
        return dots
    twice = dots.copy()
    twice[:-1] |= dots[1:]
    return twice


def codes(dots: Dots) -> npt.NDArray[np.int64]:
    """Return the pattern's number of each cell; 0 where the cell is empty."""
    rows, columns = dots.shape
    cells = dots.reshape(rows // 4, 4, columns // 2, 2)
    found: npt.NDArray[np.int64] = np.einsum("rycx,yx->rc", cells.astype(np.int64), _BITS)
    return found


def drawn(layers: list[tuple[Dots, Style]], ground: Style) -> list[list[Segment]]:
    """Return rows of segments for layers of dots; in each cell the first layer with any wins.

    Args:
        layers: Dots and their style, all of one shape, rows a multiple of 4, columns of 2.
        ground: Style of empty cells.
    """
    rows, columns = layers[0][0].shape
    pattern = np.zeros((rows // 4, columns // 2), dtype=np.int64)
    owner: npt.NDArray[np.int64] = np.full_like(pattern, -1)
    for i, (dots, _) in enumerate(layers):
        own = codes(dots)
        free = (owner < 0) & (own > 0)
        pattern[free] = own[free]
        owner[free] = i
    styles = [*(style for _, style in layers), ground]  # -1 is the ground
    glyphs: npt.NDArray[np.int64] = np.where(owner < 0, 0x20, 0x2800 + pattern)
    lines = []
    glyph_rows: list[list[int]] = glyphs.tolist()
    owner_rows: list[list[int]] = owner.tolist()
    for chars, owners in zip(glyph_rows, owner_rows, strict=True):
        text = "".join(map(chr, chars))
        line = []
        x = 0
        for who, run in groupby(owners):
            length = sum(1 for _ in run)
            line.append(Segment(text[x : x + length], styles[who]))
            x += length
        lines.append(line)
    return lines
