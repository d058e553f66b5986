"""Boost over time, large: with its limit, and the ceiling while boost is cut. For big terminals."""

from typing import Any

import numpy as np
from rich.segment import Segment

from monitor.screen.panes.plot import LABEL_CELLS, round_top
from monitor.screen.raster import drawn, fill, reach, thick
from monitor.screen.view import Pane, Row, View
from monitor.words.literal import or_nan


class BoostTrend(Pane):
    """Shares the time axis of the plot above it; the channels beside it say the figure."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw legend and plot."""
        cells, rows = width - LABEL_CELLS - 1, height - 1
        if cells < 4 or rows < 2:
            return []
        factor = view.units.factor("kPa")
        hello = view.picture.hello
        limit = hello.limits.get("boost_kpa", np.nan) * factor if hello else np.nan
        ceiling = or_nan(view.picture.decision.boost_ceiling_kpa) * factor
        end_s = view.axis_end_s
        start_s = end_s - view.span_s
        times_s = view.trace.column("time_s", start_s)
        boost = view.trace.column("boost_kpa", start_s) * factor
        known = boost[~np.isnan(boost)]
        bottom, top = _ends(
            known, limit, ceiling, factor, unboosted=bool(hello and hello.onset_kpa < 0.0)
        )
        line = reach(times_s, boost, start_s, end_s, 2 * cells)
        dots = thick(fill(line.low, line.high, bottom, top, 4 * rows), heavy=view.palette.heavy)
        style = view.palette.graphic
        layers = [(dots, style["ink"])]
        every = np.arange(2 * cells)
        for level, dashed, role in (
            (ceiling, every % 4 < 3, "short"),
            (limit, every % 8 < 4, "mid"),
            (0.0 if bottom < 0.0 else np.nan, every % 6 == 0, "faint"),
        ):
            flat = np.full(2 * cells, level)
            layers.append((fill(flat, flat, bottom, top, 4 * rows) & dashed[None, :], style[role]))
        plot = drawn(layers, view.ground())
        labels = {0: f"{top:zg}", rows - 1: f"{bottom:zg}"}
        if bottom < 0.0:
            labels.setdefault(round((4 * rows - 1) * top / (top - bottom)) // 4, "0")
        edge = [f"{labels[y]:>{LABEL_CELLS}}┤" if y in labels else f"{'':>{LABEL_CELLS}}│"
                for y in range(rows)]  # fmt: skip
        return [
            _legend(view, width, limit == limit, ceiling == ceiling),
            *([view.say(edge[y], "dim"), *segments] for y, segments in enumerate(plot)),
        ]


def _ends(
    known: Any, limit: float, ceiling: float, unit: float, *, unboosted: bool
) -> tuple[float, float]:
    """Return bottom and top of the axis; ``unit`` is 1 kPa, the least it spans."""
    if unboosted:
        return -round_top(-float(np.nanmin([*known, ceiling, -unit]))), 0.0
    top = float(np.nanmax([*known, limit, ceiling, unit]))
    top = round_top(top if top < 1e6 else 100.0)
    # Below ambient, boost only shows how far the throttle is shut: a third is room enough.
    return -top / 2.0 if len(known) and known.min() < 0.0 else 0.0, top


def _legend(view: View, width: int, limited: bool, cut: bool) -> Row:
    graphic = view.palette.graphic
    left = [view.say(f" Boost, {view.units.unit('kPa')}  ", "strong")]
    left += [Segment("⠤⠤", graphic["ink"]), view.say(" boost  ")]
    if limited:
        left += [Segment("⠒ ⠒", graphic["mid"]), view.say(" limit  ", "dim")]
    if cut:
        left += [Segment("⠒⠒", graphic["short"]), view.say(" ceiling now  ", "dim")]
    return view.spread(left, [view.say("")], width)
