"""Whoever listens to a running guard from within its process: recording, outputs, viewers."""

from collections.abc import Callable, Sequence
from typing import Any, Protocol

import msgspec

from monitor.attach.message_parts import OutputState, Statistics
from monitor.attach.protocol import Bye, Message, Publishing, Recording
from rules.channels import Sample
from rules.facts import Rig
from rules.learned import Learned
from rules.step.state import Decision
from simulator.rig import RigFile

Tell = Callable[[Message], None]


class ListenerFacts(msgspec.Struct):
    """How everybody who listens stands, as frames show it; each enters its own part.

    Attributes:
        outputs: As in a frame.
        recording: How the recording stands; None where nothing is recorded.
        publishing: How publishing stands, by broker.
        counts: Counts for the guard's statistics.
    """

    outputs: list[OutputState] = []
    recording: Recording | None = None
    publishing: list[Publishing] = []
    counts: Statistics = msgspec.field(default_factory=lambda: Statistics(drift_ppm=None))


class RunningGuard(Protocol):
    """What a listener may ask of the guard that it listens to."""

    @property
    def rig(self) -> Rig:
        """The rig in force."""

    def report(self, message: Message) -> None:
        """Tell every listener, the one that asks for it too."""

    def state(self) -> Sequence[float]:
        """Return what the rules remember, as a recording keeps it."""

    def learned(self) -> Learned:
        """Return what the rules have learned of the car."""

    def listener_facts(self) -> ListenerFacts:
        """Return how every listener stands."""

    def statistics(self) -> Statistics:
        """Return counts of everything."""


class Listener:
    """Is told everything, on the guard's loop, and never makes the guard wait.

    Each method does nothing here: a listener has only those that it needs.
    """

    def opened(self, guard: RunningGuard) -> None:
        """The guard's source is open; nothing is read from it yet."""

    def decided(self, row: Sample, decision: Decision) -> None:
        """A row was decided on. In the decision path: microseconds only."""

    def alive(self) -> None:
        """The loop that decides is alive: about 20 times a second, where the source is live."""

    def handle(self, message: Message) -> None:
        """Something was reported."""

    def note(self, kind: str, facts: dict[str, Any]) -> None:
        """Something is only for the record: nobody is shown it."""

    def tick(self) -> None:
        """Do what is due, about 20 times a second, outside the decision path."""

    def change(self, rig_file: RigFile) -> None:
        """Another rig is in force from the next row on."""

    def enter(self, facts: ListenerFacts) -> None:
        """Enter how you stand."""

    def ending(self, why: str) -> None:
        """Nothing more will be decided: release what is held."""

    async def close(self, bye: Bye) -> None:
        """The guard ends; this is the last that is heard of it."""


class TellListener(Listener):
    """Hands everything that is reported to a function, the goodbye too."""

    def __init__(self, tell: Tell) -> None:
        self._tell = tell

    def handle(self, message: Message) -> None:
        """Hand on a message."""
        self._tell(message)

    async def close(self, bye: Bye) -> None:
        """Hand on the goodbye."""
        self._tell(bye)
