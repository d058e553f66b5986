"""Two rows at the foot: what is replayed, where we stand, and the whole log as one bar."""

from monitor.screen.panes.plot import Cells
from monitor.screen.replay.plot import MARK_SIGN
from monitor.screen.replay.room import NOTICE_S, Room
from monitor.screen.replay.room_pane import RoomPane
from monitor.screen.view import Row, View, width_of
from monitor.words.literal import figure, plain, shortened, wrapped
from monitor.words.palette import ACTION_ROLES, ACTION_SYMBOLS, UNKNOWN
from monitor.words.times import moment

LONG_S = 120.0  # beyond this minutes help


class ReplayFoot(RoomPane):
    """Says whether it plays and how fast, and whether decisions came out as recorded."""

    _worst: tuple[object, int, dict[int, int]] = (None, 0, {})

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the position, then the bar, or what there is to say for a while."""
        if self._room.shown is None:
            return []
        notice = self._room.notice
        first, second = _position(self._room, view, width), self._bar(view, width - 4)
        if notice is None or view.now_s - notice.at_s >= NOTICE_S:
            return [first, second]
        lines = wrapped(("! " if notice.odd else "") + plain(notice.text), width - 2, height)
        rows: list[Row] = [
            [view.say(f" {line} ", "warn" if notice.odd else "strong")] for line in lines
        ]
        return [first, *rows] if len(rows) < height else rows

    def _bar(self, view: View, cells: int) -> Row:
        decided, _ = self._room.open
        if cells < 10:
            return []
        at = _Scale(decided.from_s, self._room.length_s, cells)
        listed = self._room.entries
        if self._worst[0] is not listed or self._worst[1] != cells:  # thousands, in a bad log
            self._worst = (listed, cells, _worst(self._room, at))
        return _bar(self._room, at, self._worst[2], view)


def _position(room: Room, view: View, width: int) -> Row:
    decided, player = room.open
    playing = f"▶ playing {player.rate:zg}x" if player.playing else f"‖ paused, {player.rate:zg}x"
    at = f"{figure(player.time_s, 2)} of {figure(decided.to_s, 2)} s"
    if room.length_s > LONG_S:
        ends = (moment(time_s, decided.from_s) for time_s in (player.time_s, decided.to_s))
        at = " of ".join(ends)
        at += f" ({figure(player.time_s, 2)} s)"
    if (shift_s := decided.shift_s(player.index)) > 0.0:
        at += f" (by its own clock {figure(player.time_s - shift_s, 2)} s)"
    elif clock := room.log.clock.at(player.time_s):
        at += f" (its clock: {clock})"
    row = [view.say(f" {playing} ", "strong"), view.say("│", "dim"), view.say(f" {at} ")]
    right = _trust(room, view)
    if width >= 110:
        row += [view.say(f"│ row {player.index + 1} of {decided.rows} ", "dim")]
    if room.busy:
        right = [view.say(f" {plain(room.busy)} … ", "dim"), *right]
    space = width - width_of(row) - width_of(right) - 14
    if space >= 8:
        name = shortened(plain(room.log.path.name), space)
        row += [view.say(f"│ replay of {name} ", "dim")]
    return view.spread(row, right, width)


def _trust(room: Room, view: View) -> Row:
    decided, _ = room.open
    if room.what_if.changes:
        return [view.say(" what if: not what happened ", "unknown")]
    if decided.reproduced:
        return [view.say("as recorded ", "dim")]
    if decided.reproduced is False:
        at = (
            ""
            if decided.differs_at is None
            else f" from {decided.time_s(decided.differs_at):z.2f} s"
        )
        return [view.say(f" ! DIFFERS from the record{at} ", "warn")]
    if room.log.done_then is not None:
        return [view.say("older version's: decided anew ", "dim")]
    return [view.say("decided anew " if room.log.session else "a log: decided here ", "dim")]


class _Scale:
    """Where a time is on the bar, in cells."""

    def __init__(self, from_s: float, length_s: float, cells: int) -> None:
        self.from_s, self.cells = from_s, cells
        self._a_second = cells / length_s

    def cell(self, time_s: float) -> int:
        """Return the cell a time is in."""
        return min(self.cells - 1, max(0, int((time_s - self.from_s) * self._a_second)))


def _worst(room: Room, at: _Scale) -> dict[int, int]:
    """Return the worst action of the events in each cell that has any."""
    decided, _ = room.open
    worst: dict[int, int] = {}
    for entry in room.entries:
        if entry.kind == "event":
            x = at.cell(entry.time_s)
            worst[x] = max(worst.get(x, 0), int(decided.events[entry.number].action))
    return worst


def _bar(room: Room, at: _Scale, worst: dict[int, int], view: View) -> Row:
    _, player = room.open
    bar = Cells(at.cells, "faint", "─")
    start_s, end_s = room.stretch(1000)
    for x in range(at.cell(start_s), at.cell(end_s) + 1):
        bar.put(x, "━", "faint")
    for gap in room.pace.silences:
        for x in range(at.cell(gap.time_s), at.cell(gap.time_s + gap.lasted_s) + 1):
            bar.put(x, UNKNOWN, "unknown")
    for mark in room.marks.marks:
        bar.put(at.cell(mark.time_s), MARK_SIGN, "ink")
    for x, level in worst.items():
        bar.put(x, ACTION_SYMBOLS[level], ACTION_ROLES[level])
    for letter, time_s in room.cursors.items():
        bar.put(at.cell(time_s), letter.upper(), "chosen")
    here = at.cell(player.time_s)
    if here not in {at.cell(time_s) for time_s in room.cursors.values()}:
        bar.put(here, "●", "strong")  # to be found where events fill the bar, too
    return [view.say(" ▕", "dim"), *bar.row(view), view.say("▏", "dim")]
