"""What the keys of a replay act on: the screen, where it stands, and what it works out behind."""

import asyncio
import threading
from collections.abc import Callable

from monitor.review.log import Log, Stopped
from monitor.screen.panes.help_text import Help
from monitor.screen.replay.keys_in_order import KeysInOrder
from monitor.screen.replay.moment import Moment
from monitor.screen.replay.room import Remark, Room
from monitor.words.look import Look


class ReplayScreen(KeysInOrder):
    """A replay without its own keys."""

    def __init__(self, log: Log, *, who: str, look: Look, clock: Callable[[], float]) -> None:
        self.room = Room(log, who)
        self.moment = Moment()
        super().__init__(self.moment, look, clock)
        self.causes_wanted: threading.Event | None = None
        self.causes_running = 0

    def moved(self) -> None:
        """Follow the moment again, after it was moved."""
        self.room.chosen = None
        self.room.notice = None
        self.redraw()

    def say(self, text: str, *, odd: bool = False) -> None:
        """Put a line before the person; ``odd`` where something was refused."""
        self.room.notice = Remark(text, self.now_s(), odd)
        self.redraw()

    def scroll(self, rows: int) -> None:
        """Scroll a page of text."""
        page = self._panes[self.open_page]
        if isinstance(page, Help):
            page.scroll_rows(rows)
        else:
            self.room.scroll = max(0, self.room.scroll + rows)
        self.redraw()

    def plot_columns(self) -> int:
        """Return how many columns of dots the plot has."""
        return 2 * max(1, self._panes["plot"].size.width - 7)

    def work_out_causes(self) -> None:
        """Rank the causes of what is shown, in the background; what ran before stops."""
        self.stop_causes()
        decided, _ = self.room.open
        stop = self.causes_wanted = threading.Event()

        async def work() -> None:
            self.causes_running += 1
            try:
                await asyncio.to_thread(decided.work_out_causes, None, stop.is_set)
            except Stopped:
                return
            finally:
                self.causes_running -= 1
                self.redraw()

        self.run_worker(work(), exit_on_error=True)

    def stop_causes(self) -> None:
        """Let what ranks causes stop."""
        if self.causes_wanted is not None:
            self.causes_wanted.set()


class ReplayKeys:
    """Some keys of a replay; who inherits has an ``action_`` for each, as the table names it."""

    def __init__(self, screen: ReplayScreen) -> None:
        self.screen = screen
        self.room = screen.room
