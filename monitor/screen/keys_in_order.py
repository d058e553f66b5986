"""Keys in the order in which they were pressed, however fast: none is lost, none is a command."""

import asyncio
from collections.abc import Awaitable
from typing import Final

from textual.app import App
from textual.events import Event, Key
from textual.widgets import Input

from monitor.screen.ask_line import AskLine

ASKING: Final = "asking"  # the group of the workers that ask
_TURNS: Final = 8  # of the event loop, in which a worker that asks has begun to


class KeysInOrder(App[str | None]):
    """The part of a dashboard that hands keys on.

    Textual writes a letter at once, and looks for what any other key does only once that has come
    up through all widgets: of keys in a burst (fast hands, a paste, a slow line) letters would
    overtake backspace and enter. Also the line to type in takes a moment to open; letters that
    come within it belong to it.
    """

    _ask_line: AskLine

    async def on_event(self, event: Event) -> None:
        """Act on a key before the next is looked at: a command, or a letter of an answer."""
        if isinstance(event, Key) and not self.app_focus:
            self.app_focus = True  # a browser begins without it: the line asked for has it again
        if not isinstance(event, Key) or event.is_forwarded:
            await super().on_event(event)
        elif isinstance(self.focused, Input):
            await self._write(self.focused, event)
        elif self.focused is not None or len(self.screen_stack) != 1:
            await super().on_event(event)
        elif not self.put_aside(event) and not await self._check_bindings(event.key, priority=True):
            await self._check_bindings(event.key)
        if isinstance(event, Key):
            await self._let_ask()

    def put_aside(self, key: Key) -> bool:
        """Keep a key for later; return whether that was done."""
        del key
        return False

    async def _write(self, line: Input, event: Key) -> None:
        if await self._check_bindings(event.key, priority=True):
            return
        if event.is_printable and event.character:
            line.replace(event.character, *line.selection)
        elif event.key == "enter" and self._ask_line.has_keys:
            self._ask_line.submit()
        else:
            await self._check_bindings(event.key)

    def run_asking(self, work: Awaitable[None]) -> None:
        """Run in a worker what asks something; what asked before gives up.

        The next keys are its answer.
        """
        self.run_worker(work, group=ASKING, exclusive=True)

    async def _let_ask(self) -> None:
        """Let a worker that is about to ask begin to, and one that was answered go on."""
        for _ in range(_TURNS):
            if self._ask_line.waits or not self._about_to_ask():
                break
            await asyncio.sleep(0)

    def _about_to_ask(self) -> bool:
        return any(one.group == ASKING and not one.is_finished for one in self.workers)
