"""What two decidings of one log do differently."""

from dataclasses import dataclass

from monitor.replay.decided import Decided
from rules.events import Event


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that came out otherwise.

    Attributes:
        time_s: When, on the axis: the earlier of the two.
        index: Row of that.
        kind: ``appears``, ``vanishes``, ``earlier``, ``later``, ``deeper``, ``shallower``,
            ``longer`` or ``shorter``.
        finding: Name of the finding.
        action: Word of the action, as ``pull_timing``.
        by: How much: s for times, deg of timing or kPa of ceiling for depth; 0 where not fitting.
        words: All of it in one line.
        before: The event before; None where it appears.
        after: The event after; None where it vanishes.
    """

    time_s: float
    index: int
    kind: str
    finding: str
    action: str
    by: float
    words: str
    before: Event | None
    after: Event | None


def compare(before: Decided, after: Decided) -> list[Difference]:
    """Return what differs between two decidings of one log, by time; empty where nothing does.

    Raises:
        ValueError: They are not of one log.
    """
    raise NotImplementedError
