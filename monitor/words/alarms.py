"""Alarms in words: the same on the dashboard's page, in lines, and in ``flowdebt alarms``.

Whoever shows these words has to take out what a terminal obeys.
"""

from collections.abc import Sequence
from typing import Final

from monitor.attach.message_parts import StandingAlarm
from monitor.attach.protocol import AlarmTurn, Operation
from rules.alarms.alarm import AlarmState, Mover
from rules.findings import label_of

COLUMNS: Final = ("alarm", "state", "priority", "since")


def time_left(seconds: float) -> str:
    """Return a time in minutes and seconds."""
    if not 0.0 <= seconds < 1e6:
        return "unknown"
    minutes, rest = divmod(round(seconds), 60)
    parts = [f"{minutes} min"] if minutes else []
    return " ".join([*parts, f"{rest} s"] if rest or not parts else parts)


def state_in_words(alarm: StandingAlarm) -> str:
    """Return the state, with what is left of a shelf."""
    if alarm.state is AlarmState.SHELVED:
        return f"{alarm.state}, {time_left(alarm.shelf_left_s)} left"
    return alarm.state.value


def since_in_words(alarm: StandingAlarm) -> str:
    """Return the data time of the last move."""
    since_s = alarm.since_s
    return f"{since_s:z.2f} s" if since_s is not None and abs(since_s) < 1e9 else "--"


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
    by = ", its shelf ended" if turn.moved_by is Mover.EXPIRY else ""
    by = f", by {turn.who}" if turn.who else by
    return f"alarm {label_of(turn.alarm)}: {turn.before} -> {turn.after}{by}"
