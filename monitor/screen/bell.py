"""When the terminal's bell rings; there is no other sound."""

from typing import Final

from monitor.words.look import BellName

AGAIN_S: Final = 5.0  # a sounding alarm rings no more often than this
_LEAST: Final = {"off": 4, "action": 2, "alarm": 1}  # the first action's number that rings


class Bell:
    """Rings when an action is new, and, where asked, while an alarm waits to be acknowledged.

    Args:
        mode: ``off``; ``action``: timing pulled or boost cut; ``alarm``: warnings too, and again
            every few seconds while an alarm sounds that nobody acknowledged.

    Attributes:
        silent: Whether somebody silenced it on this screen.
    """

    def __init__(self, mode: BellName) -> None:
        self.silent = mode == "off"
        self._mode: BellName = mode
        self._action = 0
        self._rang_s = float("-inf")

    def switch(self) -> None:
        """Silence it, or let it ring again; one that was never on then rings for actions."""
        self.silent = not self.silent
        if self._mode == "off":
            self._mode = "action"

    def rings(self, action: int, now_s: float, *, sounding: bool) -> bool:
        """Return whether to ring now.

        Args:
            action: The action's number, 0 to 3; below 0 where unknown, which changes nothing.
            now_s: Steady time, s.
            sounding: Whether an unacknowledged alarm sounds.
        """
        before = self._action
        self._action = action if action >= 0 else before
        new = self._action > before and self._action >= _LEAST[self._mode]
        again = sounding and self._mode == "alarm" and now_s - self._rang_s >= AGAIN_S
        if self.silent or not (new or again):
            return False
        self._rang_s = now_s
        return True
