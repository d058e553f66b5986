"""A device's output that says what it is told to, beside the real ones."""

from monitor.clock import now_s
from monitor.device.base import Ear, Heard
from rules.facts import Action


class FakeEar(Ear):
    """Hears what ``say`` is called with.

    Attributes:
        opened: Whether it is open.
    """

    def __init__(self, name: str = "fake", *, tells_action: bool = False) -> None:
        self.name = name
        self.heard = Heard()
        self.tells_action = tells_action
        self.opened = False

    def say(self, action: Action, at_s: float | None = None) -> None:
        """Let the device say something, now or at a moment."""
        self.heard.take(now_s() if at_s is None else at_s, action)

    def open(self) -> None:
        """Open."""
        self.opened = True

    def close(self) -> None:
        """Close."""
        self.opened = False
