"""Small arithmetic that interpreted and compiled code must do alike: + - x / sqrt, comparisons."""

from collections.abc import Sequence
from typing import Final

INFINITE: Final = float("inf")
NAN: Final = float("nan")
MIN_PER_S: Final = 1.0 / 60.0


def smaller(a: float, b: float) -> float:
    """Return the smaller of two numbers (``a`` where they are equal)."""
    return b if b < a else a


def larger(a: float, b: float) -> float:
    """Return the larger of two numbers (``a`` where they are equal)."""
    return b if b > a else a


def clamp(value: float, low: float, high: float) -> float:
    """Return ``value`` held to ``low`` .. ``high``."""
    if value < low:
        return low
    if value > high:
        return high
    return value


def kept_share(dt_s: float, lag_s: float) -> float:
    """Share of an old value a first-order lag keeps after ``dt_s``: about exp(-dt/lag).

    The reciprocal of exp's series to the fourth power: within 2e-6 of exp for dt <= lag / 5,
    within 0.0014 up to dt = lag, always between 0 and 1 and falling, so a long step cannot ring.
    """
    if lag_s <= 0.0:
        return 0.0
    z = dt_s / lag_s
    return 1.0 / (1.0 + z * (1.0 + z * 0.5 * (1.0 + z / 3.0 * (1.0 + z * 0.25))))


def interpolate(x: float, xs: Sequence[float], ys: Sequence[float], n: int) -> float:
    """Piecewise-linear ``y`` at ``x`` through the first ``n`` points; held flat beyond the ends.

    ``xs`` ascend strictly.
    """
    if x <= xs[0]:
        return ys[0]
    for i in range(1, n):
        if x <= xs[i]:
            share = (x - xs[i - 1]) / (xs[i] - xs[i - 1])
            return ys[i - 1] + share * (ys[i] - ys[i - 1])
    return ys[n - 1]


def interpolate_map(
    x: float,
    y: float,
    xs: Sequence[float],
    nx: int,
    ys: Sequence[float],
    ny: int,
    cells: Sequence[float],
) -> float:
    """Bilinear value at (x, y), both axes with at least 2 points; held flat beyond the edges.

    ``nx`` and ``ny`` are how many of the axes' points count; the cells go along y first.
    """
    x = clamp(x, xs[0], xs[nx - 1])
    y = clamp(y, ys[0], ys[ny - 1])
    i = 1
    while x > xs[i]:  # never beyond the last point
        i += 1
    j = 1
    while y > ys[j]:
        j += 1
    u = (x - xs[i - 1]) / (xs[i] - xs[i - 1])
    v = (y - ys[j - 1]) / (ys[j] - ys[j - 1])
    at = (i - 1) * ny + j - 1
    low = cells[at] * (1.0 - v) + cells[at + 1] * v
    high = cells[at + ny] * (1.0 - v) + cells[at + ny + 1] * v
    return low * (1.0 - u) + high * u


def round_up(value: float, step: float) -> float:
    """Return ``value`` rounded up to a multiple of ``step`` (> 0); exact multiples stay."""
    if value <= 0.0:
        return 0.0
    whole = int(value / step)
    rounded = whole * step
    if rounded < value:
        rounded = (whole + 1) * step
    return rounded
