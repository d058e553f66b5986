"""What every source of samples promises."""

from collections import Counter
from dataclasses import dataclass, field
from enum import Enum
from math import inf
from types import TracebackType
from typing import Any, NamedTuple, Protocol, Self

from rules.channels import Sample
from rules.step.state import Decision
from simulator.strict import BadInput


class SourceKind(Enum):
    """What a source's samples are of. Says alone what a guard may do about them; a name never does.

    Values go over the wire.
    """

    LIVE = "live"
    """An engine that runs now: silence means something, outputs may be driven."""
    SIMULATED = "simulated"
    """A simulated car, a closed loop: it hears what is decided, outputs may be driven."""
    RECORDED = "recorded"
    """What has happened: silence means nothing, and nothing may be driven."""

    @property
    def live(self) -> bool:
        """Whether silence means something: ticks are due while the source says nothing."""
        return self is SourceKind.LIVE

    @property
    def may_act(self) -> bool:
        """Whether outputs may be driven by what is decided on it: the past must not act."""
        return self is not SourceKind.RECORDED


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


@dataclass(slots=True)
class SourceStatistics:
    """What came in so far. Every received line is decoded, rejected, or a header.

    Attributes:
        received: Lines, rows or samples that came in.
        decoded: Samples made of them.
        headers: Lines that were headers.
        rejected: Lines not used, by reason.
        dropped: Samples thrown away because the reader fell behind (oldest first).
        connects: Times the link was opened.
        lost: Lines or messages that never came, by their sequence numbers.
        clock: What the device's own clock did beside going on, by ``ClockTurn``'s words.
        drift_ppm: How much faster than ours it runs; None where that isn't known.
        no_numbers: Cells with text where a number belongs: read as not a number, never healthy.
        noted: What else is worth counting, by name (messages, readings that joined a newer sample).
        waiting: Samples that wait to be decided on.
        most_waiting: Most that ever did at once.
    """

    received: int = 0
    decoded: int = 0
    headers: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    dropped: int = 0
    connects: int = 0
    lost: int = 0
    clock: Counter[str] = field(default_factory=Counter)
    drift_ppm: float | None = None
    no_numbers: int = 0
    noted: Counter[str] = field(default_factory=Counter)
    waiting: int = 0
    most_waiting: int = 0

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types."""
        return {
            "received": self.received,
            "decoded": self.decoded,
            "headers": self.headers,
            "rejected": dict(self.rejected),
            "dropped": self.dropped,
            "connects": self.connects,
            "lost": self.lost,
            "clock": dict(self.clock),
            "drift_ppm": self.drift_ppm,
            **({"no_numbers": self.no_numbers} if self.no_numbers else {}),
            **({"noted": dict(+self.noted)} if +self.noted else {}),
            "waiting": self.waiting,
            "most_waiting": self.most_waiting,
        }


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
