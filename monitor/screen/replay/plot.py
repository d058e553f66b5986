"""The flow plot around the moment: cursors, marks, and what was done (and would have been) when."""

from bisect import bisect_left, bisect_right
from dataclasses import replace
from operator import attrgetter
from typing import Final

from monitor.review.decided_log import Decided
from monitor.screen.panes.boost import BoostTrend
from monitor.screen.panes.plot import (
    LABEL_CELLS,
    Cells,
    SprayPlot,
    TimeScale,
    axis_label,
    legend,
    plotted,
    series_of,
    through,
)
from monitor.screen.replay.room import Room
from monitor.screen.replay.room_pane import RoomPane
from monitor.screen.view import Frozen, Row, View
from monitor.words.literal import figure
from monitor.words.palette import ACTION_ROLES, ACTION_SYMBOLS, UNKNOWN
from rules.events import Turn

MARK_SIGN: Final = "◆"
HERE_SIGN: Final = "▲"


class ReplayPlot(RoomPane, SprayPlot):
    """Braille plot of the stretch around the moment."""

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
        series = series_of(view, lambda name: trace.column(name, start_s))
        evidence = trace.column("evidence", start_s)
        top, lines = plotted(view, times_s, series, evidence, start_s, end_s, cells, rows)
        at = TimeScale(start_s, end_s, cells)
        style = view.palette.text
        for time_s in room.cursors.values():
            lines = [through(line, at.cell(time_s), "┊", style["ink"]) for line in lines]
        here = at.cell(room.player.time_s)
        lines = [through(line, here, "│", style["strong"]) for line in lines]
        plot = [[view.say(axis_label(y, rows, top), "dim"), *line] for y, line in enumerate(lines)]
        signs, actions = _signs(room, at), _actions(room.shown, at)
        _put_times(at, (actions, signs))
        below_rows = [_line(view, "", "│", signs)]
        if changed and room.base is not None:
            below_rows.append(_line(view, "was", "│", _actions(room.base, at)))
        below_rows.append(_line(view, "would" if changed else "", "└", actions))
        return [legend(view, width), *plot, *below_rows]


class ReplayBoost(RoomPane, BoostTrend):
    """Boost over the same stretch as the plot above it."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the live screen's trend of that stretch, and the moment."""
        room, cells = self._room, width - LABEL_CELLS - 1
        if room.shown is None or room.player is None or cells < 20:
            return []
        start_s, end_s = room.stretch(2 * cells)
        trace = room.shown.trace(start_s, end_s, 2 * cells)
        held = Frozen(trace, end_s, 0.0)  # type: ignore[arg-type]  # the same reading face
        stretch = replace(view, span_s=end_s - start_s, frozen=held, axis_s=end_s)
        first, *rest = super().draw(stretch, width, height)
        here = TimeScale(start_s, end_s, cells).cell(room.player.time_s) + LABEL_CELLS + 1
        return [first, *(through(row, here, "│", view.palette.text["strong"]) for row in rest)]


def _line(view: View, name: str, sign: str, cells: Cells) -> Row:
    return [view.say(f"{name:>{LABEL_CELLS}}{sign}", "dim"), *cells.row(view)]


def _signs(room: Room, at: TimeScale) -> Cells:
    """Gaps, marks and cursors; the moment is seen where it shares a cell with a gap."""
    _, player = room.open
    cells = Cells(at.cells, "ink")
    for gap in room.pace.silences:
        until_s = gap.time_s + gap.lasted_s
        if until_s >= at.start_s and gap.time_s <= at.end_s:
            first, last = max(gap.time_s, at.start_s), min(until_s, at.end_s)
            for x in range(at.cell(first), at.cell(last) + 1):
                cells.put(x, UNKNOWN, "unknown")
    for mark in room.marks.marks:
        cells.put(at.cell(mark.time_s), MARK_SIGN, "ink")
    for letter, time_s in room.cursors.items():
        cells.put(at.cell(time_s), letter.upper(), "chosen")
    if (x := at.cell(player.time_s)) >= 0:
        if cells.signs[x] in (" ", UNKNOWN):
            cells.put(x, HERE_SIGN, "strong")
        time = f" {figure(player.time_s, 2)} s "
        for begin in (x + 1, x - len(time)):
            if cells.write(time, begin, "strong"):
                break
    return cells


def _actions(decided: Decided, at: TimeScale) -> Cells:
    """Return the symbol of each action where it was taken."""
    cells = Cells(at.cells, "dim")
    worst: dict[int, int] = {}
    by_time = attrgetter("time_s")
    first = bisect_left(decided.turns, at.start_s, key=by_time)
    for turn in decided.turns[first : bisect_right(decided.turns, at.end_s, key=by_time)]:
        level = turn.event.level
        x = at.cell(turn.time_s)
        # What is read off the axis is where something began or grew, the worst of each cell.
        if turn.turn is not Turn.CLEARED and x >= 0 and level >= worst.get(x, 0):
            worst[x] = level
            cells.put(x, ACTION_SYMBOLS[level], ACTION_ROLES[level])
    return cells


def _put_times(at: TimeScale, rows: tuple[Cells, ...]) -> None:
    """Write the times of both edges into the first row that has room for them there."""
    left, right = f"{figure(at.start_s, 2)} s", f"{figure(at.end_s, 2)} s"
    for text, begin in ((left, 0), (right, at.cells - len(right))):
        for cells in rows:
            if cells.write(text, begin, "dim"):
                break
