"""The footer: which key does what."""

from monitor.screen.view import Pane, Row, View, width_of


class Keys(Pane):
    """One row of keys."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the keys, as many as fit."""
        del height
        row: Row = []
        for offer in view.footer:
            part = [view.say(f" {offer.shown}", "strong"), view.say(f" {offer.word} ", "dim")]
            if width_of(row) + width_of(part) > width:
                break
            row += part
        return [row]
