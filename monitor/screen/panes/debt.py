"""Debt against its thresholds: a bar with marks, and its history where there is room."""

from collections.abc import Sequence
from itertools import product
from math import sqrt

import numpy as np
from msgspec import structs
from rich.segment import Segment

from monitor.screen.raster import drawn, fill, reach, thick
from monitor.screen.view import Pane, Row, View, spread
from monitor.words.literal import figure, or_nan
from monitor.words.palette import ACTION_ROLES, ACTION_SYMBOLS

TITLE_CELLS = 16
_NAMES = ("warn", "pull", "cut")


class DebtBar(Pane):
    """A bar on a square-root scale, so that the first thresholds are not lost beside the last."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw bar and marks, then the history in whatever rows are left."""
        hello = view.picture.hello
        given = zip(_NAMES, structs.astuple(hello.thresholds), strict=True) if hello else ()
        marks = {name: at_ml for name, at_ml in given if 0.0 < at_ml < 1e6}
        top_ml = 1.3 * max(marks.values(), default=1.0)
        cells = max(4, width - TITLE_CELLS - 16)
        rows = [
            _bar(view, marks, top_ml, cells, width),
            _scale(view, marks, top_ml, cells),
        ]
        if height >= 5:
            rows += _history(view, marks, top_ml, width, height - 2)
        return rows


def _at(value_ml: float, top_ml: float, cells: int) -> int:
    share = sqrt(min(1.0, max(0.0, value_ml / top_ml)))
    return min(cells - 1, int(share * cells))


def _passed(debt_ml: float, marks: dict[str, float]) -> int:
    return max((1 + _NAMES.index(n) for n, at_ml in marks.items() if debt_ml >= at_ml), default=0)


def _bar(view: View, marks: dict[str, float], top_ml: float, cells: int, width: int) -> Row:
    debt_ml = float("nan") if view.picture.frame is None else or_nan(view.picture.decision.debt_ml)
    known = debt_ml == debt_ml
    level = _passed(debt_ml, marks) if known else 0
    length = 0 if not known or debt_ml <= 0.0 else 1 + _at(debt_ml, top_ml, cells)
    style = view.palette.graphic
    left: Row = [
        view.say(" Debt ", "strong"),
        view.say(f"{figure(debt_ml, 2):>6} mL ", "dim" if view.old else "ink"),
    ]
    left.append(Segment("▕", style["faint"]))
    at = {_at(at_ml, top_ml, cells) for at_ml in marks.values()}
    rest = "".join("┊" if x in at else "·" for x in range(length, cells))
    left.append(Segment("█" * length, style["short" if level else "mid"]))
    left.append(Segment(rest, style["faint"]))
    left.append(Segment("▏", style["faint"]))
    if view.old and known:
        return spread(left, [view.say(" ? old ", "unknown")], width, view.ground())
    if level:
        chip = f" {ACTION_SYMBOLS[level]} past {_NAMES[level - 1]} "
        return spread(left, [view.say(chip, ACTION_ROLES[level])], width, view.ground())
    return left


def _scale(view: View, marks: dict[str, float], top_ml: float, cells: int) -> Row:
    """Write each mark's name and value to one side of a corner that stands under its tick."""
    known = sorted(marks.items(), key=lambda mark: mark[1])
    ticks = [TITLE_CELLS + 1 + _at(value, top_ml, cells) for _, value in known]  # behind "▕"
    room = TITLE_CELLS + cells + 15
    named, bare = [f"{name} {value:zg}" for name, value in known], [f"{v:zg}" for _, v in known]
    for texts in (named, bare):
        # To the right where that goes; to the left of its tick what would run into the next.
        for lefts in product((False, True), repeat=len(known)):
            placed = _placed(ticks, texts, lefts, room)
            if placed is not None:
                return [view.say(placed, "dim")]
    # Ticks beside each other: all that is said, ending under the last.
    return [view.say(f"{', '.join(named)}┘".rjust(ticks[-1] + 1), "dim")] if known else []


def _placed(
    ticks: Sequence[int], texts: Sequence[str], lefts: Sequence[bool], room: int
) -> str | None:
    """Return the texts beside their ticks in one row; None where one runs into another."""
    row = [" "] * room
    taken = -1  # the last cell that is in use
    for tick, text, left in zip(ticks, texts, lefts, strict=True):
        start = tick - len(text) if left else tick
        corners = taken >= 0 and row[taken] == "┘" and not left  # these two may meet
        if start < 1 or start + len(text) >= room or start < taken + (0 if corners else 2):
            return None
        met = row[tick] == "┘"
        row[start : start + len(text) + 1] = f"{text}┘" if left else f"└{text}"
        row[tick] = "┴" if met else row[tick]
        taken = start + len(text)
    return "".join(row)


def _history(
    view: View, marks: dict[str, float], top_ml: float, width: int, height: int
) -> list[Row]:
    trace = view.trace
    cells = width - 8
    rows = height - 1
    end_s = view.axis_end_s
    times_s = trace.column("time_s", end_s - view.span_s)
    if cells < 4 or rows < 1 or not len(times_s):
        return []
    debt_ml = trace.column("debt_ml", end_s - view.span_s)
    with np.errstate(invalid="ignore"):
        share = np.sqrt(np.clip(debt_ml / top_ml, 0.0, 1.0))
    line = reach(times_s, share, end_s - view.span_s, end_s, 2 * cells)
    dots = thick(fill(line.low, line.high, 0.0, 1.0, 4 * rows), heavy=view.palette.heavy)
    style = view.palette.graphic
    layers = [(dots, style["ink"])]
    labels = {rows - 1: "0"}
    for name, value in marks.items():
        level = np.full(2 * cells, sqrt(value / top_ml))
        dotted = fill(level, level, 0.0, 1.0, 4 * rows) & (np.arange(2 * cells) % 6 == 0)[None, :]
        layers.append((dotted, style["faint"]))
        y = int(np.flatnonzero(dotted.any(axis=1))[0]) // 4
        labels.setdefault(y, name)
    plot = drawn(layers, view.ground())
    title = f" Debt over {view.span_s:zg} s, on the bar's scale"
    if view.frozen is not None:
        title = f" Debt over {view.span_s:zg} s, frozen"
    return [
        [view.say(title, "dim")],
        *(
            [view.say(f"{labels.get(y, ''):>6}│", "dim"), *segments]
            for y, segments in enumerate(plot)
        ),
    ]
