"""The list of events, marks, gaps and differences: rows beside the picture, or a page of it."""

from collections.abc import Sequence
from typing import ClassVar, Final

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from textual.events import Click
from textual.message import Message

from monitor.screen.panes.events import event_row
from monitor.screen.panes.standing import StandingAlarms, alarm_sign
from monitor.screen.replay.plot import MARK_SIGN
from monitor.screen.replay.room import Entry, Room
from monitor.screen.replay.room_pane import RoomPane
from monitor.screen.view import Page, Row, View, width_of
from monitor.words.literal import figure, plain, shortened
from monitor.words.palette import UNKNOWN

LABEL_CELLS: Final = 21
LEAST_WITH_ALARMS: Final = 9  # rows of the page
WIDEST_ALARMS: Final = 80
DIFFERENCE_SIGN: Final = "≠"


class EntryPicked(Message):
    """An entry, by its key, was clicked."""

    def __init__(self, key: tuple[str, int, int]) -> None:
        super().__init__()
        self.key = key


def _entry_row(room: Room, view: View, entry: Entry, width: int, *, chosen: bool) -> Row:
    _, player = room.open
    if entry.kind == "event":
        event, past = room.event_of(entry)
        row = event_row(view, event, width, LABEL_CELLS, chosen=chosen)
        if not past:
            row = _to_come(row)
    else:
        past = entry.time_s <= player.time_s
        row = _other_row(room, view, entry, width, chosen=chosen)
    if past:
        return row
    style = view.palette.text["dim"]
    keep = 1 if chosen else 0  # the arrow stays
    return [*row[:keep], *(Segment(segment.text, style) for segment in row[keep:])]


def _to_come(row: Row) -> Row:
    """Say of an event that hasn't begun when it is: neither active nor cleared yet."""
    *rest, state, ground = row
    return [*rest, Segment(f"{'to come':>{cell_len(state.text)}}", state.style), ground]


def _other_row(room: Room, view: View, entry: Entry, width: int, *, chosen: bool) -> Row:
    at = f"{'>' if chosen else ' '}{figure(entry.time_s, 2):>8} s  "
    if entry.kind == "mark":
        mark = room.mark_of(entry)
        label, text, right = f"{MARK_SIGN} mark", plain(mark.text), f"by {plain(mark.who, 60)} "
    elif entry.kind == "gap":
        gap = room.pace.silences[entry.number]
        label = f"{UNKNOWN} no data" if gap.share >= 1.0 else f"{UNKNOWN} rows missing"
        text, right = gap.words, ""
    else:
        one = room.what_if.differences[entry.number]
        label, text, right = f"{DIFFERENCE_SIGN} {one.kind}", plain(one.words), ""
    left: Row = [
        view.say(at, "strong" if chosen else "dim"),
        view.say(set_cell_size(label, LABEL_CELLS + 1), "strong" if chosen else "ink"),
    ]
    right = shortened(right, max(0, width // 4))
    text = shortened(text, max(1, width - width_of(left) - cell_len(right) - 3))
    return view.spread([*left, view.say(f" {text}")], [view.say(right, "dim")], width)


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


class Entries(RoomPane):
    """Entries under ``HEAD`` rows of something else; a click on one picks it."""

    HEAD: ClassVar[int] = 1
    _shown: Sequence[Entry] = ()

    def on_click(self, event: Click) -> None:
        """Say which entry was clicked, where one was."""
        if 0 <= (place := event.y - self.HEAD) < len(self._shown):
            self.post_message(EntryPicked(self._shown[place].key))

    def entry_rows(self, view: View, width: int, height: int) -> list[Row]:
        """Return the entries around the chosen one; those after the moment are dimmed."""
        room, chosen = self._room, self._room.chosen_at()
        first = max(0, min(chosen - height // 2, len(room.entries) - height))
        self._shown = room.entries[first : first + height]
        if not room.entries:
            return [[view.say(" nothing found, and no marks", "dim")]]
        return [
            _entry_row(room, view, entry, width, chosen=place == chosen)
            for place, entry in enumerate(self._shown, start=first)
        ]


class EntryList(Entries):
    """The rows beside the picture."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading and the entries around the chosen one."""
        if self._room.shown is None:
            return []
        head = heading(self._room, view)
        hint: Row = []
        if (chosen := self._room.chosen_entry) and self._room.chosen is not None:
            to = f"enter goes to {figure(chosen.time_s, 2)} s "
            hint = [view.say(to, "dim")]
        return [view.spread(head, hint, width), *self.entry_rows(view, width, height - 1)]


class EntryPage(Entries, Page):
    """The whole list; an empty row is under the heading."""

    HEAD = 2

    def __init__(self, room: Room, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(room, id=id)
        self._alarms = StandingAlarms(id="of_list")  # draws; is no part of the screen itself

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading, the entries, and the alarms of the moment under them."""
        if self._room.shown is None:
            return []
        hint = "↑↓ choose   enter goes there   delete takes a mark away   escape closes "
        head = view.spread(heading(self._room, view), [view.say(hint, "dim")], width)
        alarms: list[Row] = []
        if view.picture.alarms and height >= LEAST_WITH_ALARMS:
            alarms = self._alarms.draw(view, min(width, WIDEST_ALARMS), height // 3)
        room = height - 2 - (len(alarms) + 1 if alarms else 0)
        rows = [head, [], *self.entry_rows(view, width, room)]
        return [*rows, [], *alarms] if alarms else rows
