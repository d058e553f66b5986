"""Whoever listens to a running guard from within its process: outputs, publishers."""

from collections.abc import Callable
from typing import Protocol

from monitor.attach.facts import OutputState, Statistics
from monitor.attach.protocol import Message, Publishing
from rules.facts import Rig
from rules.step.state import Decision

Say = Callable[[str, str], None]


class Hearer(Protocol):
    """Hears everything, on the guard's loop; nothing it does may wait."""

    def start(self) -> None:
        """Get ready, before the guard opens its source; may take a moment.

        Raises:
            BadInput: It can't be used as asked.
        """
        ...

    def listen(self, say: Say) -> None:
        """Take a way to say things: a topic of one word, and a line."""
        ...

    def decided(self, decision: Decision) -> None:
        """Hear a decision. In the decision path: microseconds only."""
        ...

    def alive(self) -> None:
        """Hear that the decision loop runs, where the source is live: about 20 times a second."""
        ...

    def told(self, message: Message) -> None:
        """Hear what viewers hear."""
        ...

    def tick(self, statistics: Callable[[], Statistics]) -> None:
        """Do what is due, 20 times a second, outside the decision path."""
        ...

    def change(self, rig: Rig) -> None:
        """Hear that another rig is in force from the next row on."""
        ...

    def shown(self) -> list[OutputState]:
        """Return the outputs to show in every frame."""
        ...

    def publishing(self) -> list[Publishing]:
        """Return how publishing stands, to show in every frame."""
        ...

    def close(self, why: str) -> None:
        """Hear that the guard ends."""
        ...
