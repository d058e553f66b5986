"""What every listener to a device's output promises: the mirror of ``monitor.outputs.base``.

An output is held while all is well; that it is let go is the device's answer. Where it says which
action it takes, that is told; else being let go counts for every action, as it is wired to do one.
"""

import threading
from abc import ABC, abstractmethod
from math import inf
from typing import Final, NamedTuple

from rules.facts import Action

HELD: Final = Action.NO_ACTION
RELEASED: Final = Action.CUT_BOOST  # whichever it is wired to do
MOST_CHANGES: Final = 100_000  # of a device that chatters; a bench sees a few a run


class Change(NamedTuple):
    """From a moment on (``now_s``) the output says another action; HELD: none."""

    at_s: float
    action: Action


class Heard:
    """What an output says, and when that changed. May be told and asked from any thread.

    Args:
        silence_s: How long an output that must repeat itself may say nothing: then it counts as
            released, as by a timer at its other end. Infinite for one that stays as it is.

    Attributes:
        fault: Why nothing can be heard any more; empty where it can.
    """

    def __init__(self, silence_s: float = inf) -> None:
        self.fault = ""
        self._silence_s = silence_s
        self._lock = threading.Lock()
        self._changes: list[Change] = []
        self._said_s = -inf

    def take(self, at_s: float, action: Action) -> None:
        """Take what the output says; times never fall."""
        with self._lock:
            silent_s = self._said_s + self._silence_s
            if self._changes and silent_s < at_s:
                self._change(silent_s, RELEASED)
            self._said_s = at_s
            self._change(at_s, action)

    def changes(self, until_s: float) -> list[Change]:
        """Return all changes up to a moment, oldest first; silence until then included."""
        with self._lock:
            found = [change for change in self._changes if change.at_s <= until_s]
            silent_s = self._said_s + self._silence_s
            if found and silent_s < until_s and found[-1].action is not RELEASED:
                found.append(Change(silent_s, RELEASED))
            return found

    def says(self, at_s: float) -> Action | None:
        """Return what the output says at a moment; None where it has said nothing yet."""
        changes = self.changes(at_s)
        return changes[-1].action if changes else None

    def _change(self, at_s: float, action: Action) -> None:
        if self._changes and self._changes[-1].action is action:
            return
        if len(self._changes) >= MOST_CHANGES:
            self.fault = f"more than {MOST_CHANGES} changes: a loose wire?"
            return
        self._changes.append(Change(at_s, action))


class Ear(ABC):
    """Listens to one output of a device.

    Attributes:
        name: One line that says what and where.
        heard: What it says.
        tells_action: Whether it says which action it takes, or only that it lets go.
        late_s: How late, at most, a change was seen, s; 0 where each is told when it comes.
    """

    name: str
    heard: Heard
    tells_action = False
    late_s = 0.0

    @abstractmethod
    def open(self) -> None:
        """Begin to listen.

        Raises:
            BadInput: It can't be listened to.
        """

    @abstractmethod
    def close(self) -> None:
        """Hear what has come already, and end. May be called twice, and never raises."""
