"""The footer: which key does what. A click on a word does it too; nothing needs a mouse."""

from textual.events import Click
from textual.message import Message

from monitor.screen.view import Pane, Row, View, width_of


class Keys(Pane):
    """Rows of keys."""

    class Pressed(Message):
        """A word was clicked."""

        def __init__(self, action: str) -> None:
            super().__init__()
            self.action = action

    def __init__(self, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._placed: list[tuple[int, range, str]] = []

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the keys in their order, row by row, as many as fit."""
        rows: list[Row] = [[]]
        self._placed = []
        for offer in view.footer:
            part = [view.say(f" {offer.shown}", "strong"), view.say(f" {offer.word} ", "dim")]
            if width_of(rows[-1]) + width_of(part) > width:
                if len(rows) == height:
                    break
                rows.append([])
            start = width_of(rows[-1])
            cells = range(start, start + width_of(part))
            self._placed.append((len(rows) - 1, cells, offer.action))
            rows[-1] += part
        return rows

    def on_click(self, event: Click) -> None:
        """Say what was clicked, where one key alone does it."""
        for y, cells, action in self._placed:
            if event.y == y and event.x in cells and action:
                self.post_message(self.Pressed(action))
