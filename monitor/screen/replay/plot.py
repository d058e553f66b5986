"""The flow plot around the moment: cursors, marks, and what was done (and would have been) when."""

from bisect import bisect_left, bisect_right
from itertools import groupby
from math import ceil
from typing import Final

from rich.segment import Segment

from monitor.replay import Decided, TurnAt
from monitor.screen.literal import figure
from monitor.screen.palette import ACTION_ROLES, ACTION_SYMBOLS, UNKNOWN
from monitor.screen.panes.boost import BoostTrend
from monitor.screen.panes.plot import (
    LABEL_CELLS,
    FlowPlot,
    axis_label,
    flow_legend,
    flow_top,
    plotted,
)
from monitor.screen.replay.moment import ReplayView
from monitor.screen.replay.room import Room
from monitor.screen.view import Frozen, Row, View

MARK_SIGN: Final = "◆"
HERE_SIGN: Final = "▲"
_LEVELS: Final = {"hold": 0, "warn": 1, "pull_timing": 2, "cut_boost": 3}
_FLOWS: Final = ("commanded", "expected", "allowance", "delivered")


class ReplayPlot(FlowPlot):
    """Braille plot of the stretch around the moment.

    Args:
        room: The replay.
        id: Its id.
    """

    def __init__(self, room: Room, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._room = room

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw legend, plot, the rows of actions, the row of cursors and marks, and times."""
        room = self._room
        cells = width - LABEL_CELLS - 1
        if room.shown is None or room.player is None or cells < 20:
            return []
        start_s, end_s = room.stretch(2 * cells)
        changed = bool(room.what_if.changes) and room.base is not None
        below = 3 if changed else 2  # rows under the plot: actions with times, cursors
        rows = height - 1 - below
        if rows < 1:
            return []
        trace = room.shown.trace(start_s, end_s, 2 * cells)
        times_s = trace.column("time_s", start_s)
        factor = view.units.factor("mL/min")
        flows = {name: factor * trace.column(f"{name}_ml_min", start_s) for name in _FLOWS}
        if len(times_s):
            top, lines, _ = plotted(view, times_s, flows, start_s, end_s, cells, rows)
        else:
            top, lines = flow_top(view, flows), [[view.say(" " * cells)] for _ in range(rows)]
        at = _Scale(start_s, end_s, cells)
        style = view.palette.text
        for time_s in room.cursors.values():
            lines = [_through(line, at.cell(time_s), "┊", style["ink"]) for line in lines]
        here = at.cell(room.player.time_s)
        lines = [_through(line, here, "│", style["strong"]) for line in lines]
        plot = [[view.say(axis_label(y, rows, top), "dim"), *line] for y, line in enumerate(lines)]
        below_rows = [_signs(room, view, at)]
        if changed and room.base is not None:
            below_rows.append(_actions(view, room.base, at, "was"))
        name = "would" if changed else ""
        below_rows.append(_actions(view, room.shown, at, name, times=True))
        short = view.picture.fact("delivered_ml_min") < (
            view.picture.fact("expected_ml_min") - view.picture.fact("allowance_ml_min")
        )
        return [flow_legend(view, width, short), *plot, *below_rows]


class ReplayBoost(BoostTrend):
    """Boost over the same stretch as the plot above it.

    Args:
        room: The replay.
        id: Its id.
    """

    def __init__(self, room: Room, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._room = room

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the live screen's trend of that stretch, and the moment."""
        room, cells = self._room, width - LABEL_CELLS - 1
        if room.shown is None or room.player is None or cells < 20:
            return []
        start_s, end_s = room.stretch(2 * cells)
        trace = room.shown.trace(start_s, end_s, 2 * cells)
        held = Frozen(trace, end_s, 0.0)  # type: ignore[arg-type]  # the same reading face
        stretch = ReplayView(
            picture=view.picture,
            now_s=view.now_s,
            palette=view.palette,
            span_s=end_s - start_s,
            units=view.units,
            frozen=held,
            axis_s=end_s,
        )
        first, *rest = super().draw(stretch, width, height)
        here = _Scale(start_s, end_s, cells).cell(room.player.time_s) + LABEL_CELLS + 1
        return [first, *(_through(row, here, "│", view.palette.text["strong"]) for row in rest)]


class _Scale:
    """Where a time is, in cells."""

    def __init__(self, start_s: float, end_s: float, cells: int) -> None:
        self.start_s, self.end_s, self.cells = start_s, end_s, cells

    def cell(self, time_s: float) -> int:
        """Return the cell a time is in; -1 where it is outside."""
        share = (time_s - self.start_s) / (self.end_s - self.start_s)
        if not -1e-9 <= share <= 1.0 + 1e-9:
            return -1
        return min(self.cells - 1, max(0, ceil(share * self.cells - 1e-6) - 1))


def _through(line: Row, cell: int, sign: str, style: object) -> Row:
    """Put a sign into a cell of a row, where the cell is empty."""
    if cell < 0:
        return line
    row: Row = []
    x = 0
    for segment in line:
        text = segment.text
        inside = cell - x
        if 0 <= inside < len(text) and text[inside] == " ":
            row += [
                Segment(text[:inside], segment.style),
                Segment(sign, style),  # type: ignore[arg-type]
                Segment(text[inside + 1 :], segment.style),
            ]
        else:
            row.append(segment)
        x += len(text)
    return row


def _line(view: View, name: str, sign: str, chars: list[str], roles: list[str]) -> Row:
    row: Row = [view.say(f"{name:>{LABEL_CELLS}}{sign}", "dim")]
    for role, run in groupby(zip(roles, chars, strict=True), key=lambda pair: pair[0]):
        row.append(view.say("".join(char for _, char in run), role))
    return row


def _signs(room: Room, view: View, at: _Scale) -> Row:
    """Cursors and marks; the moment itself wins where two share a cell."""
    _, player = room.open
    chars, roles = [" "] * at.cells, ["ink"] * at.cells
    for gap in room.pace.silences:
        until_s = gap.time_s + gap.lasted_s
        if until_s >= at.start_s and gap.time_s <= at.end_s:
            for x in range(
                at.cell(max(gap.time_s, at.start_s)), at.cell(min(until_s, at.end_s)) + 1
            ):
                chars[x], roles[x] = UNKNOWN, "unknown"
    for mark in room.marks.marks:
        if (x := at.cell(mark.time_s)) >= 0:
            chars[x], roles[x] = MARK_SIGN, "ink"
    for letter, time_s in room.cursors.items():
        if (x := at.cell(time_s)) >= 0:
            chars[x], roles[x] = letter.upper(), "chosen"
    if (x := at.cell(player.time_s)) >= 0:
        if chars[x] in (" ", UNKNOWN):
            chars[x], roles[x] = HERE_SIGN, "strong"
        time = f" {figure(player.time_s, 2)} s "
        for begin in (x + 1, x - len(time)):
            end = begin + len(time)
            if begin >= 0 and end <= at.cells and all(c == " " for c in chars[begin:end]):
                chars[begin:end] = time
                roles[begin:end] = ["strong"] * len(time)
                break
    return _line(view, "", "│", chars, roles)


def _actions(view: View, decided: Decided, at: _Scale, name: str, *, times: bool = False) -> Row:
    """Return the symbol of each action where it was taken; with the times at both edges."""
    chars, roles = [" "] * at.cells, ["dim"] * at.cells
    worst: dict[int, int] = {}
    first = bisect_left(decided.turns, at.start_s, key=_time_s)
    for turn in decided.turns[first : bisect_right(decided.turns, at.end_s, key=_time_s)]:
        level = _LEVELS.get(turn.event["action"], 1)
        x = at.cell(turn.time_s)
        # What is read off the axis is where something began or grew, the worst of each cell.
        if turn.turn != "cleared" and x >= 0 and level >= worst.get(x, 0):
            worst[x] = level
            chars[x], roles[x] = ACTION_SYMBOLS[level], ACTION_ROLES[level]
    if times:
        right = f"{figure(at.end_s, 2)} s"
        for text, begin in ((f"{figure(at.start_s, 2)} s", 0), (right, at.cells - len(right))):
            end = begin + len(text)
            if begin >= 0 and all(char == " " for char in chars[begin:end]):
                chars[begin:end] = text
    return _line(view, name, "└" if times else "│", chars, roles)


def _time_s(turn: TurnAt) -> float:
    return turn.time_s
