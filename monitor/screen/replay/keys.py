"""The footer of a replay: as many keys as fit on one row, or on two where there is room."""

from monitor.screen.view import Pane, Row, View, width_of


class ReplayKeys(Pane):
    """Rows of keys."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the keys in their order, row by row."""
        rows: list[Row] = [[]]
        for offer in view.footer:
            part = [view.say(f" {offer.shown}", "strong"), view.say(f" {offer.word} ", "dim")]
            if width_of(rows[-1]) + width_of(part) > width:
                if len(rows) == height:
                    break
                rows.append([])
            rows[-1] += part
        return rows
