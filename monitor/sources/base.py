"""What every source of samples promises."""

from math import inf
from types import TracebackType
from typing import NamedTuple, Protocol, Self

from monitor.source_facts import SourceKind, SourceStatistics
from rules.channels import Sample
from rules.step.state import Decision
from simulator.strict import BadInput


class Arrival(NamedTuple):
    """A sample, and when its last byte could be read (steady clock, ns)."""

    sample: Sample
    readable_ns: int


class Notice(NamedTuple):
    """News of the link itself, and a line about it.

    Kinds: ``connected``, ``lost``, ``header``, ``unusable`` (much comes, none of it can be used),
    ``clock`` (what the device's own clock did), ``sequence`` (readings lost on the way),
    ``hint`` (values from before, not used).
    """

    kind: str
    text: str


def pace_of(speed: float) -> float:
    """Return the pace a ``--speed`` asks for: 1 is real time, infinite as fast as possible.

    Raises:
        BadInput: Negative or no number.
    """
    if not 0.0 <= speed < inf:
        raise BadInput(f"--speed: found {speed}, expected 0 (as fast as possible) or more")
    return speed if speed > 0.0 else inf


class Source(Protocol):
    """A source of samples.

    Use as ``async with source: async for item in source: ...``. Items come in the order in which
    they arrived. Iteration ends where the source does (a file's end; a serial port never ends by
    itself) and when the source is closed. Leaving the ``with`` closes whatever was opened, at once,
    also from within a pending iteration.

    Attributes:
        name: One line that says what it is, for people: nothing follows from it.
        kind: Whether it is an engine that runs now, a simulated one, or the past.
        statistics: Counts so far.
    """

    name: str
    kind: SourceKind
    statistics: SourceStatistics

    async def __aenter__(self) -> Self:
        """Open it.

        Raises:
            BadInput: It can't be opened as asked; waiting would not help.
        """
        ...

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        ...

    def __aiter__(self) -> Self:
        """Return itself."""
        ...

    async def __anext__(self) -> Arrival | Notice:
        """Return the next item.

        Raises:
            StopAsyncIteration: Nothing more will come.
            BadInput: What came can't be used and nothing after it can.
        """
        ...

    def react(self, decision: Decision) -> None:
        """Hear what was decided. Only the simulated car, a closed loop, does anything with it."""
        ...
