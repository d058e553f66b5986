"""A pause that closing ends at once."""

import asyncio


class Pause:
    """Waits for one task at a time; ``close``, from another, ends the wait at once.

    Attributes:
        closed: Whether ``close`` was called.
    """

    def __init__(self) -> None:
        self.closed = False
        self._pending: asyncio.Future[None] | None = None

    async def wait(self, for_s: float) -> bool:
        """Wait, and let other tasks run in any case; return False where closed."""
        if self.closed or not for_s > 0.0:
            await asyncio.sleep(0.0)
            return not self.closed
        loop = asyncio.get_running_loop()
        self._pending = pending = loop.create_future()
        timer = loop.call_later(for_s, _end, pending)
        try:
            await pending
        finally:
            timer.cancel()
            self._pending = None
        return not self.closed

    def close(self) -> None:
        """End the wait under way and every later one."""
        self.closed = True
        if self._pending is not None:
            _end(self._pending)


def _end(pending: asyncio.Future[None]) -> None:
    if not pending.done():
        pending.set_result(None)
