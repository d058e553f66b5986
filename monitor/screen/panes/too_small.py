"""Said instead of the picture where the terminal is too small for it."""

from monitor.screen.picture import Link
from monitor.screen.view import Pane, Row, View
from monitor.words.literal import wrapped

LEAST_WIDTH = 80
LEAST_HEIGHT = 24


class TooSmall(Pane):
    """The top line stays; this takes the rest."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Say what size is there and what is needed."""
        have = self.screen.size
        guard = "The guard goes on; d leaves it to that, q quits."
        if view.picture.ended:
            over = view.picture.what_ended
            guard = f"{over[:1].upper()}{over[1:]}; q quits."
        elif view.link is Link.GONE:
            guard = "The guard is gone; q quits."
        text = (
            f"This terminal is {have.width}x{have.height}; the picture needs at least "
            f"{LEAST_WIDTH}x{LEAST_HEIGHT}. {guard} {view.driven}"
        )
        return view.lines(wrapped(text, width - 1, height))
