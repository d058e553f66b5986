"""What every room may know of a source: what its samples are of, and what came in so far."""

from collections import Counter
from dataclasses import dataclass, field
from enum import Enum


class SourceKind(Enum):
    """What a source's samples are of. Says alone what a guard may do about them; a name never does.

    Values go over the wire.
    """

    LIVE = "live"
    """An engine that runs now: silence means something, outputs may be driven."""
    SIMULATED = "simulated"
    """A simulated car, a closed loop: it takes what is decided, outputs may be driven."""
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
