"""Interpolation (until ``rules.step.arithmetic`` has it by blocks)."""

from rules.step.arithmetic import clamp
from rules.step.vector import Vector


def interpolate(x: float, xs: Vector, ys: Vector, n: int) -> float:
    """Piecewise-linear ``y`` at ``x``; held flat beyond the ends.

    Args:
        x: Where.
        xs: Of ``n`` points, ascending strictly.
        ys: Of the same points.
        n: How many.
    """
    if x <= xs[0]:
        return ys[0]
    for i in range(1, n):
        if x <= xs[i]:
            share = (x - xs[i - 1]) / (xs[i] - xs[i - 1])
            return ys[i - 1] + share * (ys[i] - ys[i - 1])
    return ys[n - 1]


def interpolate_map(
    x: float, y: float, xs: Vector, nx: int, ys: Vector, ny: int, cells: Vector
) -> float:
    """Bilinear value at (x, y), both axes with at least 2 points; held flat beyond the edges.

    ``cells`` go along y first.
    """
    x = clamp(x, xs[0], xs[nx - 1])
    y = clamp(y, ys[0], ys[ny - 1])
    i = 1
    while i < nx - 1 and x > xs[i]:
        i += 1
    j = 1
    while j < ny - 1 and y > ys[j]:
        j += 1
    u = (x - xs[i - 1]) / (xs[i] - xs[i - 1])
    v = (y - ys[j - 1]) / (ys[j] - ys[j - 1])
    at = (i - 1) * ny + j - 1
    low = cells[at] * (1.0 - v) + cells[at + 1] * v
    high = cells[at + ny] * (1.0 - v) + cells[at + ny + 1] * v
    return low * (1.0 - u) + high * u
