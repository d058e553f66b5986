"""What the keys of a replay act on: the screen, where it stands, and what it works out behind."""

import asyncio
import threading
from collections import deque
from collections.abc import AsyncIterator, Callable
from typing import Final

from textual.events import Key

from monitor.review.log import Log, Stopped
from monitor.screen.base import BaseDashboard
from monitor.screen.panes.help_text import Help
from monitor.screen.replay.moment import Moment
from monitor.screen.replay.room import Remark, Room
from monitor.words.look import Look

MOST_KEPT: Final = 24  # keys pressed while a log is opened


class ReplayScreen(BaseDashboard):
    """A replay without its own keys."""

    def __init__(self, log: Log, *, who: str, look: Look, clock: Callable[[], float]) -> None:
        self.room = Room(log, who)
        self.moment = Moment()
        super().__init__(self.moment, look, clock)
        self.causes_wanted: threading.Event | None = None
        self.causes_running = 0
        self._early: deque[Key] = deque(maxlen=MOST_KEPT)

    def put_aside(self, key: Key) -> bool:
        """Keep a key that acts on a log until that is open."""
        early = self.room.shown is None and not self._acts_early(key.key)
        if early:
            self._early.append(key)
        return early

    def _acts_early(self, key: str) -> bool:
        bound = self._bindings.key_to_bindings.get(key, [])
        names = (one.action.partition("(")[0] for one in bound)
        return not bound or any(self.check_action(name, ()) is True for name in names)

    def do_early(self) -> None:
        """Do what was asked for by key while the log was being opened."""
        while self._early:
            early = self._early.popleft()
            self.post_message(Key(early.key, early.character))

    def moved(self) -> None:
        """Follow the moment again, after it was moved."""
        self.room.chosen = None
        self.room.notice = None
        self.redraw()

    def say(self, text: str, *, odd: bool = False) -> None:
        """Put a line before the person; ``odd`` where something was refused."""
        self.room.notice = Remark(text, self.now_s(), odd)
        self.redraw()

    async def answers(
        self, question: str, proposed: str = "", *, kept: str = ""
    ) -> AsyncIterator[str]:
        """Ask until an answer does, or the person gives up; one that doesn't stands to be mended.

        The arguments are those of ``ask``.
        """
        while (answer := await self.ask(question, proposed, kept=kept)) is not None:
            yield answer
            kept, proposed = answer, ""

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
