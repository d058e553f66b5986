"""The events, newest first."""

import re
from collections.abc import Sequence
from typing import Final

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from textual.events import Click
from textual.message import Message

from monitor.screen.panes.detail import notice_in_words
from monitor.screen.panes.standing import alarm_sign
from monitor.screen.picture import Link
from monitor.screen.view import Pane, Row, View, width_of
from monitor.words.events import EventWords
from monitor.words.literal import figure, fitted, shortened
from monitor.words.palette import ACTION_ROLES, ACTION_SYMBOLS, ACTION_WORDS

TIME_CELLS: Final = 12
DEPTH_CELLS: Final = 22  # ceiling and timing; the debt may give way to a label
STATE_CELLS: Final = 10
LEAST_LABEL_CELLS: Final = 21
LEAST_NOTICE_CELLS: Final = 16  # in less, a notice would say nothing
_PIECES: Final = re.compile(r"[:;,] ")


class EventList(Pane):
    """One row an event: time, finding, action, how deep, and whether it still holds."""

    class Picked(Message):
        """An event was clicked."""

        def __init__(self, key: tuple[float, str]) -> None:
            super().__init__()
            self.key = key

    _shown: Sequence[EventWords] = ()

    def on_click(self, event: Click) -> None:
        """Say which event was clicked, where one was; the heading is row 0."""
        if 0 < event.y <= len(self._shown):
            self.post_message(self.Picked(self._shown[event.y - 1].key))

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading and the events around the chosen one."""
        known = view.picture.events
        room = height - 1
        first = max(0, min(view.chosen - room // 2, len(known.newest_first) - room))
        rows = [_heading(view, width)]
        self._shown = known.newest_first[first : first + room]
        if not known.newest_first:
            return [*rows, [view.say(" none so far", "dim")]]
        shown = self._shown
        longest = max((cell_len(event.label) for event in shown), default=0)
        word_cells = max(cell_len(_word(event)) for event in shown)
        rest = TIME_CELLS + word_cells + DEPTH_CELLS + STATE_CELLS
        label_cells = min(longest, max(LEAST_LABEL_CELLS, width - rest))
        for i, event in enumerate(shown, start=first):
            chosen = i == view.chosen
            rows.append(event_row(view, event, width, label_cells, word_cells, chosen=chosen))
        return rows


def _heading(view: View, width: int) -> Row:
    known = view.picture.events
    active = "" if view.link is Link.GONE else f", {known.active} active"
    count = f" {len(known.newest_first)}{active}  "
    left = [view.say(" Events", "strong"), view.say(count, "dim"), *alarm_sign(view)]
    text = notice_in_words(view)
    room = width - width_of(left) - 2
    # With no event yet the detail is free, and says the whole of it.
    if not text or not known.newest_first or room < LEAST_NOTICE_CELLS:
        return left
    # To the end of a piece of it, where not all has room.
    ends = [len(text), *(found.start() for found in reversed([*_PIECES.finditer(text)]))]
    said = fitted([text[:end] for end in ends], room - 1, 1)
    return view.spread(left, [view.say(f"{said[0]} ", "dim")], width)


def _word(event: EventWords) -> str:
    return f" {ACTION_SYMBOLS[event.level]} {ACTION_WORDS[event.level].lower()} "


def event_row(
    view: View,
    event: EventWords,
    width: int,
    label_cells: int,
    word_cells: int = 0,
    *,
    chosen: bool,
) -> Row:
    """Return an event's row: time, finding, action, how deep, and whether it still holds."""
    long = f"cleared after {figure(event.lasted_s, 2)} s"
    now = "active" if event.active else long if event.lasted_s == event.lasted_s else "cleared"
    if event.active and view.link is Link.GONE:
        now = "was active"
    word = _word(event)
    at = f"{'>' if chosen else ' '}{figure(event.time_s, 2):>8} s  "
    label = set_cell_size(shortened(event.label, label_cells), label_cells + 1)
    ground: Segment = view.say(" ")
    if chosen:
        parts = [view.say(at, "strong"), view.say(label, "strong")]
    else:
        parts = [view.say(at, "dim"), view.say(label)]
    role = ACTION_ROLES[event.level] if event.active and not view.old else "ink"
    parts += [view.say(word, role), view.say(" " * (1 + max(0, word_cells - cell_len(word))))]
    depth = event.depth(view.units)
    room = width - width_of(parts) - 2
    if cell_len(depth) + cell_len(now) > room:  # no room for the long word
        now = now.partition(" after")[0]
        depth = event.depth(view.units, max(0, room - cell_len(now)))
    parts.append(view.say(depth))
    state = [view.say(now, "strong" if event.active else "dim"), ground]
    return view.spread(parts, state, width)
