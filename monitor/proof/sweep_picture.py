"""A sweep as one picture: its front, and what each point costs, by key.

With two keys each cost is a heat map with its numbers in it; with one, a curve; with more, each
point's delay by each key. No name from outside is drawn but the keys'.
"""

from collections.abc import Callable, Sequence
from math import isfinite, nan
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from monitor.pictures.figure import new_figure, plain
from monitor.pictures.plot_panels import INK
from monitor.proof.sweep_keys import SweptKey
from monitor.words.palette import OKABE_ITO
from simulator.proof.sweep import Sweep, Tried

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_PX: Final = (1260, 760)
_BLUE: Final = OKABE_ITO["blue"]
_RED: Final = OKABE_ITO["vermillion"]
_FAINT: Final = "#9AA1A8"
_GRID: Final = "#E4E6E9"
_NONE_BELOW: Final = 0.3  # of the least rate that isn't nil: nil stands there on a log axis
_MOST_PANELS: Final = 6
_DARK: Final = 0.55  # share of a heat map's colours from which on text in it is white
_ALIKE: Final = 0.1  # a share by which values may differ and still look much the same
_LATE: Final = "late, % of the time allowed"
_PULLS: Final = "false pulls in 100 h of spraying"


def draw(swept: Sweep, keys: Sequence[SweptKey]) -> "Figure":
    """Return a sweep's figure, 1260 by 760 pixels at 120 dots an inch."""
    figure = new_figure(*SIZE_PX)
    if len(keys) == 1:
        panels = [_curve(swept, keys[0], cost) for cost in _costs(swept)]
    elif len(keys) == 2:
        panels = [_heat(swept, keys, cost) for cost in _costs(swept)]
    else:
        panels = [_by_key(swept, i, key) for i, key in enumerate(keys)]
    panels = [_front(swept), *panels][:_MOST_PANELS]
    margins = {"left": 0.065, "right": 0.985, "top": 0.95, "bottom": 0.115}
    spaces = {"wspace": 0.29, "hspace": 0.4}
    axes = [*figure.subplots(2, 3, gridspec_kw=margins | spaces).flat]
    for axis, panel in zip(axes, panels, strict=False):
        axis.set_axisbelow(True)
        axis.tick_params(labelsize=7.5)
        panel(axis)
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
    for axis in axes[len(panels) :]:
        axis.remove()
    figure.text(
        0.065, 0.018,
        "★ recommended   ○ on the front: none is better in all   × does not meet all rows, by what "
        "was counted   ◇ the rig as it is",
        fontsize=8, color=INK,
    )  # fmt: skip
    return figure


class _Cost(NamedTuple):
    """What a point costs.

    Attributes:
        name: What it is, with its unit.
        of: Of a point; NaN where it isn't known.
        log: Whether factors count.
        whole: Whether it is a count.
        asked: What is asked for.
    """

    name: str
    of: Callable[[Tried], float]
    log: bool = False
    whole: bool = False
    asked: float = nan


def _costs(swept: Sweep) -> list[_Cost]:
    rows = len(swept.as_it_is.rows) + len(swept.as_it_is.calms)
    return [
        _Cost(_PULLS, lambda point: point.pulls_per_100_h, log=True),
        _Cost(_LATE, lambda point: 100.0 * point.late, asked=100.0),
        _Cost(f"rows not met, of {rows}", lambda point: float(len(point.unmet)), whole=True),
        _Cost("knock harm", lambda point: point.harm if point.acted else nan),
        _Cost("work lost, kJ", lambda point: point.work_lost_kj if point.acted else nan),
    ]


def _front(swept: Sweep) -> Callable[["Axes"], None]:
    def panel(axis: "Axes") -> None:
        points = [*swept.points, swept.as_it_is]
        rates = [point.pulls_per_100_h for point in points]
        late = [point.late for point in points if isfinite(point.late)]
        top = 115.0 * max([*late, 1.0])
        least = min((rate for rate in rates if rate > 0.0), default=1.0)
        nil = _NONE_BELOW * least
        axis.set_xscale("log")

        def at(point: Tried) -> tuple[float, float]:
            rate = point.pulls_per_100_h or nil
            return rate, 100.0 * point.late if isfinite(point.late) else 0.97 * top

        _marked(axis, swept, at)
        x, y = at(swept.as_it_is)
        axis.plot(x, y, "D", color="white", mec=INK, ms=5.5, zorder=6)
        axis.axhline(100.0, color=_RED, lw=1.0, ls=(0, (5, 2)))
        axis.set_ylim(0.0, top)
        axis.grid(color=_GRID, lw=0.5)
        if nil in (at(point)[0] for point in points):
            axis.axvline(nil, color=_FAINT, lw=0.6, ls=(0, (1, 2)))
            axis.text(nil, 0.03 * top, " none", fontsize=7, color=INK)
        _named(axis, "delay against false pulls", _PULLS, _LATE)

    return panel


def _curve(swept: Sweep, key: SweptKey, cost: _Cost) -> Callable[["Axes"], None]:
    from matplotlib.ticker import MaxNLocator

    def panel(axis: "Axes") -> None:
        _along(axis, key)
        x = [key.at(point.place[0]) for point in swept.points]
        y = [cost.of(point) for point in swept.points]
        axis.plot(x, [value if isfinite(value) else nan for value in y], color=_BLUE, lw=1.0)
        _marked(axis, swept, lambda point: (key.at(point.place[0]), cost.of(point)))
        own = cost.of(swept.as_it_is)
        if isfinite(own):
            axis.axhline(own, color=_FAINT, lw=0.8, ls=(0, (1, 2)))
        _limits(axis, [*y, own], log=cost.log and min([*y, own]) > 0.0)
        axis.grid(color=_GRID, lw=0.5)
        if isfinite(cost.asked):
            axis.axhline(cost.asked, color=_RED, lw=1.0, ls=(0, (5, 2)))
        if cost.whole:
            axis.yaxis.set_major_locator(MaxNLocator(integer=True))
        _named(axis, cost.name, _label(key), "")

    return panel


def _heat(swept: Sweep, keys: Sequence[SweptKey], cost: _Cost) -> Callable[["Axes"], None]:
    def panel(axis: "Axes") -> None:
        sides = [sorted({point.place[i] for point in swept.points}) for i in range(2)]
        grid = np.full((len(sides[1]), len(sides[0])), nan)
        for point in swept.points:
            x, y = (side.index(point.place[i]) for i, side in enumerate(sides))
            grid[y, x] = cost.of(point)
        shade = np.where(np.isfinite(grid), grid, nan)
        if cost.log:
            some = shade[shade > 0.0]
            shade = np.log10(np.maximum(shade, _NONE_BELOW * some.min() if len(some) else 1.0))
        low, high = (np.nanmin(shade), np.nanmax(shade)) if np.isfinite(shade).any() else (0.0, 1.0)
        high = max(high, low + _ALIKE * abs(low))
        axis.pcolormesh(
            shade, cmap="Blues", vmin=low, vmax=high + 1e-9, edgecolor="white", linewidth=0.8
        )
        for number, point in enumerate(swept.points):
            x, y = (side.index(point.place[i]) for i, side in enumerate(sides))
            value, share = grid[y, x], (shade[y, x] - low) / (high - low + 1e-9)
            if np.isnan(value):
                text = ""
            else:
                text = f"{value:z.2g}" if value < 100.0 else f"{value:z.0f}"
                text = text if isfinite(value) else "never"
            colour = "white" if share > _DARK else INK
            mark = _mark(swept, number)
            axis.text(x + 0.5, y + 0.62, text, ha="center", va="center", fontsize=7, color=colour)
            axis.text(x + 0.5, y + 0.24, mark, ha="center", va="center", fontsize=7, color=colour)
        for key, side, dim in zip(keys, sides, (axis.xaxis, axis.yaxis), strict=True):
            told = [*key.figures(side).values()]
            each = -(-len(side) // 7)
            places = [i + 0.5 for i in range(len(side))]
            dim.set_ticks(places[::each], told[::each])
        axis.tick_params(length=0)
        _named(axis, cost.name, _label(keys[0]), _label(keys[1]))

    return panel


def _by_key(swept: Sweep, i: int, key: SweptKey) -> Callable[["Axes"], None]:
    def panel(axis: "Axes") -> None:
        _along(axis, key)
        late = [100.0 * point.late for point in swept.points]
        _marked(axis, swept, lambda point: (key.at(point.place[i]), 100.0 * point.late))
        axis.axhline(100.0, color=_RED, lw=1.0, ls=(0, (5, 2)))
        _limits(axis, [*late, 100.0], log=False)
        axis.grid(color=_GRID, lw=0.5)
        _named(axis, f"by {plain(key.key)}", _label(key), _LATE)

    return panel


def _along(axis: "Axes", key: SweptKey) -> None:
    """Lay the key along the bottom, from end to end of the sweep."""
    if key.by_factors:
        axis.set_xscale("log")
    room = 0.04
    axis.set_xlim(key.at(-room), key.at(1.0 + room))


def _marked(axis: "Axes", swept: Sweep, at: Callable[[Tried], tuple[float, float]]) -> None:
    """Draw each point: star, ring, cross or dot."""
    for number, point in enumerate(swept.points):
        x, y = at(point)
        if not isfinite(y):
            continue
        axis.plot(x, y, "x" if point.unmet else ".", color=_FAINT, ms=5.0, zorder=3, clip_on=False)
        if number in swept.front:
            axis.plot(x, y, "o", color="none", mec=_BLUE, ms=7.0, zorder=4, clip_on=False)
        if number == swept.recommended:
            axis.plot(x, y, "*", color=_RED, mec="white", mew=0.5, ms=13.0, zorder=7, clip_on=False)


def _mark(swept: Sweep, number: int) -> str:
    """Return the same as signs."""
    signs = "★" if number == swept.recommended else "○" if number in swept.front else ""
    return f"{signs}×" if swept.points[number].unmet else signs


def _limits(axis: "Axes", values: Sequence[float], *, log: bool) -> None:
    some = [value for value in values if isfinite(value)]
    if log:
        axis.set_yscale("log")
    else:
        axis.set_ylim(min([0.0, *some]), 1.12 * max([*some, 1.0]))


def _label(key: SweptKey) -> str:
    return plain(f"{key.key}, {key.unit}" if key.unit else key.key)


def _named(axis: Any, title: str, x: str, y: str) -> None:
    axis.set_title(title, loc="left", fontsize=8.5)
    axis.set_xlabel(x, fontsize=8)
    axis.set_ylabel(y, fontsize=8)
    for dim in (axis.xaxis, axis.yaxis):
        if dim.get_scale() == "log":
            dim.set_major_formatter("{x:g}")
            dim.set_minor_formatter("")
