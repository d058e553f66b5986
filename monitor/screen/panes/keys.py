"""The footer: which key does what. A click on a word does it too; nothing needs a mouse."""

from textual.events import Click
from textual.message import Message

from monitor.screen.view import Pane, Row, View, width_of


class Keys(Pane):
    """One row of keys."""

    class Pressed(Message):
        """A word was clicked."""

        def __init__(self, action: str) -> None:
            super().__init__()
            self.action = action

    def __init__(self, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._words: list[tuple[range, str]] = []

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the keys, as many as fit."""
        del height
        row: Row = []
        self._words = []
        for offer in view.footer:
            part = [view.say(f" {offer.shown}", "strong"), view.say(f" {offer.word} ", "dim")]
            start = width_of(row)
            end = start + width_of(part)
            if end > width:
                break
            self._words.append((range(start, end), offer.action))
            row += part
        return [row]

    def on_click(self, event: Click) -> None:
        """Say what was clicked, where anything was."""
        for cells, action in self._words:
            if event.x in cells and action:
                self.post_message(self.Pressed(action))
