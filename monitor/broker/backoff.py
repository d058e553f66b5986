"""How long to wait before the next attempt to connect: longer each time, never in step."""

import secrets
from collections.abc import Callable
from typing import Final

FIRST_S: Final = 0.1
LONGEST_S: Final = 5.0
_BY_CHANCE: Final = secrets.SystemRandom()


class Backoff:
    """Doubles the wait from attempt to attempt, up to a longest one, each shortened by chance.

    After a broker's restart all its clients come back at once; chance spreads them.

    Args:
        first_s: Longest first wait, s.
        longest_s: Longest wait of all, s.
        draw: A number from 0 up to 1, by chance.
    """

    def __init__(
        self,
        first_s: float = FIRST_S,
        longest_s: float = LONGEST_S,
        draw: Callable[[], float] = _BY_CHANCE.random,
    ) -> None:
        self._first_s = first_s
        self._longest_s = longest_s
        self._draw = draw
        self._next_s = first_s

    def wait_s(self) -> float:
        """Return the next wait, half of its longest at least; the one after it is twice as long."""
        wait_s, self._next_s = self._next_s, min(2.0 * self._next_s, self._longest_s)
        return wait_s * (0.5 + 0.5 * self._draw())

    def reset(self) -> None:
        """Begin anew, after a connection that worked."""
        self._next_s = self._first_s
