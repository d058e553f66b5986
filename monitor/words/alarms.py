"""Alarms in words: the same on the dashboard's page, in lines, and in ``flowdebt alarms``.

What a message holds is not to be trusted: whatever isn't as it should be reads as unknown, and
whoever shows these words still has to take out what a terminal obeys.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from monitor.attach.protocol import LONGEST_WORD, AlarmTurn, Operation
from rules.alarms.rates import ON_THE_LIST, AlarmState, Priority
from rules.findings import label_of

MOST_ALARMS: Final = 64
UNKNOWN: Final = "unknown"
COLUMNS: Final = ("alarm", "state", "priority", "since")
_STATES: Final = frozenset(state.value for state in AlarmState)
_PRIORITIES: Final = tuple(priority.value for priority in Priority)
_SILENCED: Final = (
    AlarmState.SHELVED,
    AlarmState.SUPPRESSED_BY_DESIGN,
    AlarmState.OUT_OF_SERVICE,
)
_UNSEEN: Final = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
)


@dataclass(frozen=True, slots=True)
class StandingAlarm:
    """An alarm as a frame tells it.

    Attributes:
        name: As commands take it.
        label: As people read it.
        state: Its name in ISA-18.2 / IEC 62682; ``unknown`` where it is none of them.
        level: 1 low, 2 medium, 3 high; 0 where unknown.
        since_s: Data time of its last move, s; NaN where it never moved.
        shelf_left_s: What is left of its shelf, s; 0 where it is not shelved.
        first_out: First alarm since the list was last empty.
    """

    name: str
    label: str
    state: str
    level: int
    since_s: float
    shelf_left_s: float
    first_out: bool

    @property
    def listed(self) -> bool:
        """Whether it asks for somebody; an unknown state does."""
        return self.state == UNKNOWN or self.state in ON_THE_LIST

    @property
    def unseen(self) -> bool:
        """Whether nobody has acknowledged it; an unknown state counts as that."""
        return self.state == UNKNOWN or self.state in _UNSEEN

    @property
    def silenced(self) -> bool:
        """Whether it is kept from ringing: shelved, suppressed by design or out of service."""
        return self.state in _SILENCED

    @property
    def priority(self) -> str:
        """Priority in a word."""
        return _PRIORITIES[self.level - 1] if self.level else UNKNOWN

    @property
    def state_in_words(self) -> str:
        """The state, with what is left of a shelf."""
        if self.state == AlarmState.SHELVED:
            return f"{self.state}, {time_left(self.shelf_left_s)} left"
        return self.state

    @property
    def since_in_words(self) -> str:
        """Data time of its last move."""
        return f"{self.since_s:z.2f} s" if abs(self.since_s) < 1e9 else "--"


def time_left(seconds: float) -> str:
    """Return a time in minutes and seconds."""
    if not 0.0 <= seconds < 1e6:
        return UNKNOWN
    minutes, rest = divmod(round(seconds), 60)
    parts = [f"{minutes} min"] if minutes else []
    return " ".join([*parts, f"{rest} s"] if rest or not parts else parts)


def standing_alarms(alarms: Sequence[Any]) -> list[StandingAlarm]:
    """Return a frame's alarms, in its order; at most 64."""
    return [_standing(facts) for facts in alarms[:MOST_ALARMS] if isinstance(facts, dict)]


def _standing(facts: dict[str, Any]) -> StandingAlarm:
    name = str(facts.get("alarm", "?"))
    state, priority = facts.get("state"), facts.get("priority")
    return StandingAlarm(
        name=name[: 2 * LONGEST_WORD],
        label=label_of(name),
        state=state if isinstance(state, str) and state in _STATES else UNKNOWN,
        level=1 + _PRIORITIES.index(priority) if priority in _PRIORITIES else 0,
        since_s=_number(facts.get("since_s")),
        shelf_left_s=_number(facts.get("shelf_left_s")),
        first_out=facts.get("first_out") is True,
    )


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return float("nan")
    return float(value) if abs(value) < 1e300 and isfinite(value) else float("nan")


def count_in_words(alarms: Sequence[StandingAlarm]) -> str:
    """Return how many stand, are unseen, and are kept silent; empty where there are none."""
    listed = sum(alarm.listed for alarm in alarms)
    unseen = sum(alarm.listed and alarm.unseen for alarm in alarms)
    parts = [f"{listed} alarm{'' if listed == 1 else 's'}"] if listed else []
    if unseen:
        parts.append(f"{unseen} {AlarmState.UNACKNOWLEDGED}")
    if silenced := sum(alarm.silenced for alarm in alarms):
        parts.append(f"{silenced} silenced")
    return ", ".join(parts)


def operation_in_words(done: Operation) -> str:
    """Return who did what, or why it was refused, on one line."""
    return f"{done.who}: {done_in_words(done)}"


def done_in_words(done: Operation) -> str:
    """Return what was done, or why it was refused, on one line."""
    what = done.do.replace("_", " ")
    if done.refused:
        return "; ".join(done.refused[:16])
    which = label_of(done.alarm) if done.alarm else "all"
    shelf = f" for {time_left(done.for_s)}" if done.for_s > 0.0 else ""
    return f"{what} {which}{shelf}"


def turn_in_words(turn: AlarmTurn) -> str:
    """Return an alarm's move, and what moved it, on one line."""
    by = (
        f", by {turn.who}" if turn.who else ", its shelf ended" if turn.moved_by == "expiry" else ""
    )
    return f"alarm {label_of(turn.alarm)}: {turn.before} -> {turn.after}{by}"
