"""From a thread to an event loop, however often: at most one wake-up is under way.

A loop is woken through a pipe that holds some hundred wake-ups, and signals come through the same
pipe: one for each message of a flood fills it while the loop is busy, and a SIGTERM is lost.
"""

import asyncio
from collections import deque
from collections.abc import Callable


class WakeUp:
    """Has a function run on a loop, soon, after any thread or signal handler asked for it.

    However often it is asked before that, the function runs once: it must look for all there is.

    Args:
        function: Runs on the loop.
        loop: The loop; the running one by default.
    """

    def __init__(
        self, function: Callable[[], None], loop: asyncio.AbstractEventLoop | None = None
    ) -> None:
        self._function = function
        self._loop = asyncio.get_running_loop() if loop is None else loop
        # A token that one asker gets: no lock, which a signal handler could find locked by itself.
        self._token = deque([None])

    def ask(self) -> bool:
        """Ask for it; return False where the loop is gone."""
        try:
            self._token.pop()
        except IndexError:  # it is under way, and will see what led to this call
            return True
        try:
            self._loop.call_soon_threadsafe(self._run)
        except RuntimeError:
            self._token.append(None)
            return False
        return True

    def _run(self) -> None:
        self._token.append(None)  # before looking: what comes from here on asks anew
        self._function()
