"""Interpolation in tables that stand in a flat vector."""

from rules.step.arithmetic import clamp
from rules.step.vector import Vector


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
