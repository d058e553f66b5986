"""The events, newest first."""

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from textual.events import Click
from textual.message import Message

from monitor.screen.happenings import Happening
from monitor.screen.literal import figure, plain, shortened
from monitor.screen.palette import ACTION_ROLES, ACTION_SYMBOLS, ACTION_WORDS
from monitor.screen.panes.standing import alarm_sign
from monitor.screen.picture import Link
from monitor.screen.view import Pane, Row, View, spread, width_of


class EventList(Pane):
    """One row an event: time, finding, action, how deep, and whether it still holds."""

    class Picked(Message):
        """An event was clicked."""

        def __init__(self, key: tuple[float, str]) -> None:
            super().__init__()
            self.key = key

    def __init__(self, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._shown: list[Happening] = []

    def on_click(self, event: Click) -> None:
        """Say which event was clicked, where one was; the heading is row 0."""
        if 0 < event.y <= len(self._shown):
            self.post_message(self.Picked(self._shown[event.y - 1].key))

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading and the events around the chosen one."""
        known = view.picture.happenings
        room = height - 1
        first = max(0, min(view.chosen - room // 2, len(known.newest_first) - room))
        rows = [_heading(view, width)]
        self._shown = known.newest_first[first : first + room]
        if not known.newest_first:
            return [*rows, [view.say(" none so far", "dim")]]
        shown = self._shown
        longest = max((cell_len(event.label) for event in shown), default=0)
        label_cells = min(21 if width < 100 else 40, longest)
        for i, event in enumerate(shown, start=first):
            rows.append(event_row(view, event, width, label_cells, chosen=i == view.chosen))
        return rows


def _heading(view: View, width: int) -> Row:
    known = view.picture.happenings
    active = "" if view.link is Link.GONE else f", {known.active} active"
    count = f" {len(known.newest_first)}{active}  "
    left = [view.say(" Events", "strong"), view.say(count, "dim"), *alarm_sign(view)]
    notice = view.picture.notice
    if notice is None or view.now_s - notice[1] > 60.0:
        return left
    topic, text = plain(notice[0].topic, 20), view.units.sentence(plain(notice[0].text))
    text = f"{text} " if text.startswith(topic) else f"{topic}: {text} "
    right = [view.say(shortened(text, max(0, width - width_of(left) - 2)), "dim")]
    return spread(left, right, width, view.ground())


def event_row(view: View, event: Happening, width: int, label_cells: int, *, chosen: bool) -> Row:
    """Return an event's row: time, finding, action, how deep, and whether it still holds."""
    now = "active" if event.active else f"cleared after {figure(event.lasted_s, 2)} s"
    if event.active and view.link is Link.GONE:
        now = "was active"
    word = f"{ACTION_SYMBOLS[event.level]} {ACTION_WORDS[event.level].lower()}"
    at = f"{'>' if chosen else ' '}{figure(event.time_s, 2):>8} s  "
    label = set_cell_size(shortened(event.label, label_cells), label_cells + 1)
    depth = f" {event.depth(view.units)}"
    ground: Segment = view.say(" ")
    if chosen:
        parts = [view.say(at, "strong"), view.say(label, "strong")]
    else:
        parts = [view.say(at, "dim"), view.say(label)]
    role = ACTION_ROLES[event.level] if event.active and not view.old else "ink"
    parts += [view.say(f" {word} ", role), view.say(depth)]
    state = [view.say(now, "strong" if event.active else "dim"), ground]
    row = spread(parts, state, width, view.ground())
    if len(row) == len(parts):  # no room for the long word
        short = [view.say(now.partition(" after")[0], "dim"), ground]
        keep = width - width_of(short) - 1
        parts[-1] = view.say(shortened(depth, max(0, keep - width_of(parts[:-1]))))
        row = spread(parts, short, width, view.ground())
    return row
