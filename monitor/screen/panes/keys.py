"""The footer: which key does what. A click on a word does it too; nothing needs a mouse."""

from rich.segment import Segment
from rich.style import Style
from textual.reactive import Reactive

from monitor.screen.view import Pane, Row, View, width_of


class Keys(Pane):
    """Rows of keys."""

    auto_links = Reactive(False)  # a word keeps its look under the pointer

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the keys in their order, row by row, as many as fit."""
        rows: list[Row] = [[]]
        for offer in view.footer:
            part = [view.say(f" {offer.shown}", "strong"), view.say(f" {offer.word} ", "dim")]
            if width_of(rows[-1]) + width_of(part) > width:
                if len(rows) == height:
                    break
                rows.append([])
            does = Style(meta={"@click": f"app.{offer.action}"}) if offer.action else None
            rows[-1] += Segment.apply_style(part, post_style=does)
        return rows
