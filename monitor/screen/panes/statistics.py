"""The counts: what came, what became of it, and how long that took."""

from typing import Final

from monitor.screen.view import Page, Row, View
from monitor.words.counts import Line, lines
from monitor.words.literal import plain, wrapped
from monitor.words.readings import learned_in_words

_NAME_CELLS: Final = 12


class Statistics(Page):
    """Takes the middle of the screen, as the help does."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw one count after the other; what went wrong is marked."""
        del height
        rows: list[Row] = [[view.say(" Counts since the guard started", "strong")], []]
        picture = view.picture
        if picture.frame is None and picture.bye is None:
            return [*rows, [view.say(" none yet", "dim")]]
        inner = max(20, width - _NAME_CELLS - 4)
        known = {
            "learned": learned_in_words(picture.decision),
            "restored": "" if picture.hello is None else picture.hello.restored,
        }
        told = [Line(name, words) for name, words in known.items() if words]
        for line in (*lines(picture.statistics), *told):
            role = "strong" if line.odd else "ink"
            mark = "!" if line.odd else " "
            for i, words in enumerate(wrapped(plain(line.words), inner, 3)):
                name = "" if i else line.name
                head = f" {' ' if i else mark} {name:<{_NAME_CELLS}}"
                rows.append([view.say(head, "dim"), view.say(words, role)])
        return rows
