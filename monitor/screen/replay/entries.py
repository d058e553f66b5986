"""The list of events, marks, gaps and differences: rows beside the picture, or a page of it."""

from typing import Final

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment

from monitor.screen.literal import figure, plain, shortened
from monitor.screen.palette import UNKNOWN
from monitor.screen.panes.events import _row
from monitor.screen.panes.standing import alarm_sign
from monitor.screen.replay.plot import MARK_SIGN
from monitor.screen.replay.room import Entry, Room
from monitor.screen.view import Page, Pane, Row, View, spread, width_of

LABEL_CELLS: Final = 21
DIFFERENCE_SIGN: Final = "≠"


def entry_rows(room: Room, view: View, width: int, height: int) -> list[Row]:
    """Return the entries around the chosen one; those after the moment are dimmed."""
    if not room.entries:
        return [[view.say(" nothing found, and no marks", "dim")]]
    chosen = room.chosen_at()
    first = max(0, min(chosen - height // 2, len(room.entries) - height))
    return [
        _entry_row(room, view, entry, width, chosen=place == chosen)
        for place, entry in enumerate(room.entries[first : first + height], start=first)
    ]


def _entry_row(room: Room, view: View, entry: Entry, width: int, *, chosen: bool) -> Row:
    _, player = room.open
    if entry.kind == "event":
        event, past = room.event_of(entry)
        row = _row(view, event, width, LABEL_CELLS, chosen=chosen)
        if not past and event.active:
            row = _later(row)
    else:
        past = entry.time_s <= player.time_s
        row = _other_row(room, view, entry, width, chosen=chosen)
    if past:
        return row
    style = view.palette.text["dim"]
    keep = 1 if chosen else 0  # the arrow stays
    return [*row[:keep], *(Segment(segment.text, style) for segment in row[keep:])]


def _later(row: Row) -> Row:
    """Say of an event that hasn't begun what it will be: it isn't active yet."""
    return [
        Segment(one.text.replace("active", " later"), one.style) if one.text == "active" else one
        for one in row
    ]


def _other_row(room: Room, view: View, entry: Entry, width: int, *, chosen: bool) -> Row:
    at = f"{'>' if chosen else ' '}{figure(entry.time_s, 2):>8} s  "
    if entry.kind == "mark":
        mark = room.mark_of(entry)
        label, text, right = f"{MARK_SIGN} mark", plain(mark.text), f"by {plain(mark.who, 60)} "
    elif entry.kind == "gap":
        lasted_s = room.pace.silences[entry.number].lasted_s
        label, text, right = f"{UNKNOWN} no data", f"no row for {figure(lasted_s, 2)} s", ""
    else:
        one = room.what_if.differences[entry.number]
        label, text, right = f"{DIFFERENCE_SIGN} {one.kind}", plain(one.words), ""
    left: Row = [
        view.say(at, "strong" if chosen else "dim"),
        view.say(set_cell_size(label, LABEL_CELLS + 1), "strong" if chosen else "ink"),
    ]
    right = shortened(right, max(0, width // 4))
    text = shortened(text, max(1, width - width_of(left) - cell_len(right) - 3))
    return spread([*left, view.say(f" {text}")], [view.say(right, "dim")], width, view.ground())


def heading(room: Room, view: View) -> Row:
    """Return how many there are of each."""
    count = room.counts
    words = f" {count['event']}, {room.active} active"
    if count["gap"]:
        words += f", gaps {count['gap']}"
    if count["mark"]:
        words += f", marks {count['mark']}"
    if room.what_if.changes:
        words += f", differences {len(room.what_if.differences)}"
    return [view.say(" Events", "strong"), view.say(f"{words}  ", "dim"), *alarm_sign(view)]


class EntryList(Pane):
    """The rows beside the picture.

    Args:
        room: The replay.
        id: Its id.
    """

    def __init__(self, room: Room, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._room = room

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading and the entries around the chosen one."""
        if self._room.shown is None:
            return []
        head = heading(self._room, view)
        hint: Row = []
        if (chosen := self._room.chosen_entry) and self._room.chosen is not None:
            to = f"enter goes to {figure(chosen.time_s, 2)} s "
            hint = [view.say(to, "dim")]
        return [
            spread(head, hint, width, view.ground()),
            *entry_rows(self._room, view, width, height - 1),
        ]


class EntryPage(Page):
    """The whole list.

    Args:
        room: The replay.
        id: Its id.
    """

    def __init__(self, room: Room, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._room = room

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading, the entries, and what the chosen one is."""
        if self._room.shown is None:
            return []
        hint = "↑↓ choose   enter goes there   delete takes a mark away   escape closes "
        head = spread(heading(self._room, view), [view.say(hint, "dim")], width, view.ground())
        return [head, [], *entry_rows(self._room, view, width, height - 2)]
