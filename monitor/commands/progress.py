"""How far long work is, for a terminal: one line on standard error that is written over."""

import sys
from time import monotonic
from typing import Final

_QUIET_S: Final = 1.0  # what takes less needs no word
_EVERY_S: Final = 0.1
_WIDTH: Final = 79


class Progress:
    """Tells how far work is, and how long it may take; silent where nobody looks.

    Args:
        quiet_s: For how long it says nothing at first.
    """

    def __init__(self, quiet_s: float = _QUIET_S) -> None:
        self.watched = sys.stderr.isatty()
        self._began_s = monotonic()
        self._quiet_s = quiet_s
        self._told_s = -_EVERY_S
        self._before = -1.0
        self._shown = False

    def tell(self, words: str, done: float, left: float) -> None:
        """Write the line anew: words, and the time that is left.

        Args:
            words: What was done so far.
            done: How much of the work that is, in any unit. What was done when this was first
                called counts for nothing: it may have been done before.
            left: How much there is to do, at the least; 0 takes the line away.
        """
        now_s = monotonic()
        if self._before < 0.0:
            self._before = done
        if not self.watched or now_s - self._began_s < self._quiet_s:
            return
        if not left:
            self.clear()
        elif now_s - self._told_s >= _EVERY_S:
            self._told_s = now_s
            self._write(f"{words}{self._left(done, left, now_s)}")

    def clear(self) -> None:
        """Take the line away, for others to come."""
        if self._shown:
            self._write("")
            self._shown = False

    def _left(self, done: float, left: float, now_s: float) -> str:
        if done <= self._before:
            return ""
        left_s = (now_s - self._began_s) / (done - self._before) * left
        about = f"{left_s:z.0f} s" if left_s < 90.0 else f"{left_s / 60.0:z.0f} min"
        return f", about {about} left"

    def _write(self, line: str) -> None:
        self._shown = True
        sys.stderr.write(f"\r{line[:_WIDTH]:<{_WIDTH}}\r")
        sys.stderr.flush()
