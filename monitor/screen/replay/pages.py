"""Pages of text: while the log is opened, and what was read of it."""

from abc import abstractmethod
from collections.abc import Iterator
from typing import Final

from monitor.recorder.span import counted
from monitor.review.done_then import done_in_words
from monitor.review.judge import ROWS_WORTH_LOADING
from monitor.review.row_gaps import Pace
from monitor.screen.panes.too_small import LEAST_HEIGHT, LEAST_WIDTH, TooSmall
from monitor.screen.replay.room import Room
from monitor.screen.replay.room_pane import RoomPane
from monitor.screen.view import Page, Row, View
from monitor.words.literal import figure, plain, wrapped

NAME_CELLS: Final = 16
BAR_CELLS: Final = 40
MUCH_MISSING_PCT: Final = 0.5


class ScrolledPage(RoomPane, Page):
    """A page whose text may be longer than the screen."""

    @abstractmethod
    def text(self, view: View, width: int) -> list[Row]:
        """Return all rows; who inherits says which."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw as many rows as fit, from where it is scrolled to."""
        rows = self.text(view, width)
        if len(rows) <= height:
            self._room.scroll = 0
            return rows
        self._room.scroll = min(self._room.scroll, len(rows) - height + 1)
        shown = rows[self._room.scroll : self._room.scroll + height - 1]
        more = len(rows) - self._room.scroll - len(shown)
        word = f" ↓ {more} more rows" if more else " ↑ the end"
        return [*shown, [view.say(word, "dim")]]


class SmallReplay(TooSmall):
    """Said where the terminal is too small; no guard goes on behind a replay."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Say what size is there and what is needed."""
        have = self.screen.size
        text = (
            f"This terminal is {have.width}x{have.height}; a replay needs at least "
            f"{LEAST_WIDTH}x{LEAST_HEIGHT}. q quits."
        )
        return view.lines(wrapped(text, width - 1, height))


class Opening(RoomPane, Page):
    """How far reading and deciding are."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a bar."""
        del height
        share = min(1.0, max(0.0, self._room.progress))
        cells = min(BAR_CELLS, width - 20)
        done = int(share * cells)
        what = "reading it" if not self._room.log.is_read else "deciding every row again"
        rows: list[Row] = [
            [],
            [view.say(f" Opening {plain(str(self._room.log.path), 200)}", "strong")],
            [],
        ]
        bar = f" ▕{'█' * done}{'·' * (cells - done)}▏ {100.0 * share:z3.0f} %"
        rows.append([view.say(bar)])
        count = ""
        if self._room.log.is_read:
            count = f", {counted(len(self._room.log.rows), 'row')}"
        rows.append([view.say(f"  {what}{count}; q leaves, other keys wait", "dim")])
        if self._room.log.is_read and len(self._room.log.rows) >= ROWS_WORTH_LOADING:
            slow = "  the first time after an update this takes a while longer"
            rows.append([view.say(slow, "dim")])
        return rows


class LogPage(ScrolledPage):
    """What was read, whether it is whole, and whether it was decided as recorded."""

    def text(self, view: View, width: int) -> list[Row]:
        """Return one fact after the other; what is wrong is marked."""
        rows: list[Row] = [[view.say(" The log", "strong")], []]
        if self._room.shown is None:
            return rows
        inner = max(20, width - NAME_CELLS - 4)
        for name, words, odd in facts(self._room):
            for i, line in enumerate(wrapped(plain(words, 1000), inner, 4)):
                head = f" {'!' if odd and not i else ' '} {'' if i else name:<{NAME_CELLS}}"
                rows.append([view.say(head, "dim"), view.say(line, "strong" if odd else "ink")])
        return rows


def _pace(pace: Pace) -> tuple[str, bool]:
    if pace.step_s != pace.step_s:
        return "not known: too few rows", False
    words = f"a row every {1000.0 * pace.step_s:z.3g} ms"
    if not pace.places:
        return f"{words}, none missing", False
    share = 100.0 * pace.share
    words += (
        f"; {share:z.2g} % of the rows are missing, at {pace.places} places, "
        f"{figure(pace.longest_s, 2)} s at the most"
    )
    return words, share >= MUCH_MISSING_PCT or bool(pace.silences)


def facts(room: Room) -> Iterator[tuple[str, str, bool]]:
    """Yield what there is to know of the log: name, words, and whether something is wrong."""
    decided, _ = room.open
    base = room.base or decided
    log = room.log
    yield "replay of", str(log.path), False
    yield "kind", "a recorded session" if log.session else "a log", False
    span = f"{figure(decided.from_s, 2)} to {figure(decided.to_s, 2)} s"
    yield "rows", f"{decided.rows}, {span}, silence filled in", False
    yield "pace", *_pace(room.pace)
    yield "rig", f"{decided.rig_file.rig.name} ({decided.rig_file.file_name})", False
    if base.reproduced:
        yield "decisions", "as recorded, bit for bit", False
    elif base.reproduced is False:
        at = "" if base.differs_at is None else f", first at {base.time_s(base.differs_at):z.3f} s"
        yield "decisions", f"DIFFER from those recorded{at}", True
    elif log.done_then is not None:
        then = done_in_words(log.done_then)
        yield "decisions", f"by today's rules; an older version's did then: {then}", True
    else:
        yield "decisions", "decided now: there are none of that time to compare with", False
    if room.what_if.changes:
        yield "what if", f"{room.what_if.words}: what is shown did not happen", True
    for row, rig_file in log.rigs.items():
        at_s = f"{base.time_s(row):z.2f} s"
        yield "new thresholds", f"from {at_s}: {rig_file.rig.name}", False
    for row in log.holes:
        yield "hole", f"rows are missing before {base.time_s(row):z.2f} s", True
    if log.cut is not None:
        yield "not whole", log.cut, True
    for reason, count in log.rejected.items():
        yield "not used", f"{counted(count, 'row')}: {reason}", True
    if (shift_s := decided.shift_s(decided.rows - 1)) > 0.0:
        words = f"steps back, {figure(shift_s, 2)} s in all: from there on, times here are ahead"
        yield "clock", f"{words} of the log's own", True
    late = decided.late_until(decided.rows - 1)
    yield "too late", f"{counted(late, 'row')} came too late to be used", late > 0
    yield "marks", f"{len(room.marks.marks)}", False
    for fault in room.marks.faults:
        yield "marks", fault, True
