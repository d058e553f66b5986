"""What an alarm is: its states, how urgent it is, who moves it, and what is said of a move.

How it moves is in ``rules.alarms.book``, how often alarms ring in ``rules.alarms.rates``.
"""

from enum import StrEnum
from typing import Final, NamedTuple

NEVER: Final = float("inf")
TIME_LIMIT_S: Final = 1.0e12  # nothing beyond this is a time
OFF_DELAY_S: Final = 2.0  # a finding must be quiet so long to be gone; common practice, no source
LONGEST_SHELF_S: Final = 900.0  # no shelf lasts longer; common practice, no source


class AlarmState(StrEnum):
    """Where an alarm is in its life (ANSI/ISA-18.2-2016, IEC 62682)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class Priority(StrEnum):
    """How urgent: the worst level since last normal (warn, pull timing, cut boost)."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class Mover(StrEnum):
    """Who or what moved an alarm."""

    CONDITION = "condition"
    OPERATOR = "operator"
    EXPIRY = "expiry"


ON_THE_LIST: Final = frozenset(
    (
        AlarmState.UNACKNOWLEDGED,
        AlarmState.ACKNOWLEDGED,
        AlarmState.RETURNED_UNACKNOWLEDGED,
        AlarmState.LATCHED_UNACKNOWLEDGED,
        AlarmState.LATCHED_ACKNOWLEDGED,
    )
)
RINGING: Final = frozenset((AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED))


class Transition(NamedTuple):
    """One move of one alarm.

    Attributes:
        time_s: When, on the caller's time base.
        alarm: Name of the finding.
        before: State it left; the same as ``after`` where an unacknowledged alarm escalates.
        after: State it is in now.
        moved_by: What moved it.
        who: The operator's name; empty unless the operator did.
        priority: Priority now.
        first_out: First alarm since the list was last empty.
    """

    time_s: float
    alarm: str
    before: AlarmState
    after: AlarmState
    moved_by: Mover
    who: str
    priority: Priority
    first_out: bool

    @property
    def annunciates(self) -> bool:
        """Whether this calls for attention that the alarm wasn't calling for already."""
        if self.after is AlarmState.LATCHED_UNACKNOWLEDGED:
            return self.before not in ON_THE_LIST
        return self.after is AlarmState.UNACKNOWLEDGED and self.before is not self.after


class Refusal(NamedTuple):
    """Why a command did nothing to an alarm."""

    alarm: str
    reason: str


class Answer(NamedTuple):
    """What a command did (with whatever fell due before it), and what it could not do."""

    transitions: tuple[Transition, ...]
    refusals: tuple[Refusal, ...]


class AlarmView(NamedTuple):
    """An alarm as a screen shows it.

    ``since_s`` is the time of its last move (NaN: never moved), ``shelf_left_s`` what is left of
    its shelf (0: not shelved), ``rank`` its place in the order of annunciation since the list was
    last empty (0 = first out, -1 = none).
    """

    alarm: str
    state: AlarmState
    priority: Priority
    present: bool
    since_s: float
    shelf_left_s: float
    rank: int


class ForwardClock:
    """A clock that never runs backwards: a step back counts as no time at all."""

    __slots__ = ("last_s", "offset_s")

    def __init__(self) -> None:
        self.last_s = 0.0
        self.offset_s = 0.0

    @property
    def now_s(self) -> float:
        """Forward time, s; equal to the caller's until that first steps back."""
        return self.last_s + self.offset_s

    def read(self, time_s: float) -> bool:
        """Take a time; return whether it was one (finite, within 1e12 s)."""
        if not -TIME_LIMIT_S < time_s < TIME_LIMIT_S:
            return False
        if time_s < self.last_s:
            self.offset_s += self.last_s - time_s
        self.last_s = time_s
        return True
