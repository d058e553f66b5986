"""Small arithmetic that interpreted and compiled code must do alike: + - x / sqrt, comparisons."""

from rules.step.vector import Vector


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


def interpolate(x: float, k: Vector, xs: int, ys: int, n: int) -> float:
    """Piecewise-linear ``y`` at ``x``; held flat beyond the ends.

    The ``n`` points stand in ``k`` from ``xs`` (ascending strictly) and from ``ys`` on.
    """
    if x <= k[xs]:
        return k[ys]
    for i in range(1, n):
        if x <= k[xs + i]:
            share = (x - k[xs + i - 1]) / (k[xs + i] - k[xs + i - 1])
            return k[ys + i - 1] + share * (k[ys + i] - k[ys + i - 1])
    return k[ys + n - 1]


def interpolate_map(
    x: float, y: float, k: Vector, xs: int, nx: int, ys: int, ny: int, cells: int
) -> float:
    """Bilinear value at (x, y), both axes with at least 2 points; held flat beyond the edges.

    Axes stand in ``k`` from ``xs`` and ``ys`` on, the cells from ``cells`` on, along y first.
    """
    x = clamp(x, k[xs], k[xs + nx - 1])
    y = clamp(y, k[ys], k[ys + ny - 1])
    i = 1
    while i < nx - 1 and x > k[xs + i]:
        i += 1
    j = 1
    while j < ny - 1 and y > k[ys + j]:
        j += 1
    u = (x - k[xs + i - 1]) / (k[xs + i] - k[xs + i - 1])
    v = (y - k[ys + j - 1]) / (k[ys + j] - k[ys + j - 1])
    at = cells + (i - 1) * ny + j - 1
    low = k[at] * (1.0 - v) + k[at + 1] * v
    high = k[at + ny] * (1.0 - v) + k[at + ny + 1] * v
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
