"""Keys in the order in which they were pressed, however fast: none is lost, none is a command."""

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Final

from textual.events import Event, Key

from monitor.screen.base import BaseDashboard
from monitor.screen.picture import Picture
from monitor.screen.replay.room import Room
from monitor.words.look import Look

MOST_KEPT: Final = 24  # keys pressed while a log is opened
_TURNS: Final = 8  # of the event loop, in which a worker that asks has begun to


class KeysInOrder(BaseDashboard):
    """The part of the replay screen that hands keys on.

    Textual acts at once on a key no text can be written with, such as enter, and sends any other
    through the screen first: of keys in a burst (fast hands, a paste, a slow line) enter would
    overtake letters, and letters backspace. Also the line to type in takes a moment to open;
    letters that come within it belong to it.
    """

    room: Room

    def __init__(self, picture: Picture, look: Look, clock: Callable[[], float]) -> None:
        super().__init__(picture, look, clock)
        self._early: deque[Key] = deque(maxlen=MOST_KEPT)

    async def on_event(self, event: Event) -> None:
        """Act on a key before the next is looked at: a command, or a letter of an answer."""
        if not isinstance(event, Key) or event.is_forwarded or len(self.screen_stack) != 1:
            await super().on_event(event)
        elif self._ask_line.has_keys:
            await self._answer_with(event)
        elif self.focused is not None:
            await super().on_event(event)
        elif self.room.shown is None and not self._acts_early(event.key):
            self._early.append(event)
        elif not await self._check_bindings(event.key, priority=True):
            await self._check_bindings(event.key)
        if isinstance(event, Key):
            await self._let_ask()

    async def _answer_with(self, event: Key) -> None:
        if await self._check_bindings(event.key, priority=True):
            return
        if event.key == "enter":
            self._ask_line.submit()
        elif event.is_printable and event.character:
            self._ask_line.type(event.character)
        else:
            await self._check_bindings(event.key)

    async def _let_ask(self) -> None:
        """Let a worker that is about to ask begin to, and one that was answered go on."""
        for _ in range(_TURNS):
            if self._ask_line.waits or not self._about_to_ask():
                break
            await asyncio.sleep(0)

    def do_early(self) -> None:
        """Do what was asked for by key while the log was being opened."""
        while self._early:
            early = self._early.popleft()
            self.post_message(Key(early.key, early.character))

    def _acts_early(self, key: str) -> bool:
        bound = self._bindings.key_to_bindings.get(key, [])
        names = (one.action.partition("(")[0] for one in bound)
        return not bound or any(self.check_action(name, ()) is True for name in names)

    def _about_to_ask(self) -> bool:
        return any(one.group == "asking" and not one.is_finished for one in self.workers)
