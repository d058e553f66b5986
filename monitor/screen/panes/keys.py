"""The footer: which key does what."""

from monitor.screen.picture import Link
from monitor.screen.view import Pane, Row, View, width_of


class Keys(Pane):
    """One row of keys."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the keys, as many as fit."""
        del height
        row: Row = []
        stops = view.owner and view.link is not Link.GONE
        for key, word in (
            ("q", "stop & quit" if stops else "quit"),
            ("d", "detach"),
            ("a", "acknowledge"),
            ("t", "theme"),
            ("s", f"span {view.span_s:g} s"),
            ("↑↓", "event"),
            ("?", "help"),
            ("c", "counts"),
        ):
            part = [view.say(f" {key}", "strong"), view.say(f" {word} ", "dim")]
            if width_of(row) + width_of(part) > width:
                break
            row += part
        return [row]
