"""What a person types to say which moment is meant."""

import re
from dataclasses import dataclass
from typing import Final

from monitor.words.times import CLOCK_FROM_S
from simulator.strict import BadInput, called

EXPECTED: Final = "seconds as 41.5, m:ss as 0:41, +5 or -2.5 from here, #3 for event 3, a or b"
LONGEST_SHOWN: Final = 40

_NUMBER: Final = r"[0-9]{1,12}(?:\.[0-9]{1,9})?"
_SECONDS: Final = re.compile(rf"([+-]?)({_NUMBER})\s*s?", re.ASCII)
_CLOCK: Final = re.compile(
    r"([+-]?)(?:([0-9]{1,6}):)?([0-9]{1,6}):([0-9]{1,2}(?:\.[0-9]{1,9})?)", re.ASCII
)
_EVENT: Final = re.compile(r"(?:#|event\s*)([0-9]{1,6})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Goal:
    """Where to.

    Attributes:
        time_s: A time on the axis, or a span from here where ``relative``; NaN where not fitting.
        relative: Whether ``time_s`` counts from here.
        event: Number of an event, from 1; 0 where not fitting.
        cursor: ``a`` or ``b``; empty where not fitting.
    """

    time_s: float = float("nan")
    relative: bool = False
    event: int = 0
    cursor: str = ""


def goal(typed: str, from_s: float = 0.0) -> Goal:
    """Return what is meant.

    Args:
        typed: What was typed.
        from_s: Where the axis starts, s; a clock's axis (seconds since 1970) makes ``m:ss`` count
            from there.

    Raises:
        BadInput: None of what is understood; it does not say where it was typed.
    """
    text = typed.strip().lower()
    if found := _EVENT.fullmatch(text):
        return Goal(event=int(found[1]))
    if text in {"a", "b"}:
        return Goal(cursor=text)
    if found := _SECONDS.fullmatch(text):
        sign, span_s = found[1], float(found[2])
    elif found := _CLOCK.fullmatch(text):
        sign = found[1]
        span_s = 3600.0 * float(found[2] or 0) + 60.0 * float(found[3]) + float(found[4])
        if float(found[4]) >= 60.0:
            raise BadInput(f"found {called(text)}, expected less than 60 s behind the colon")
        if not sign and from_s >= CLOCK_FROM_S:
            return Goal(from_s + span_s)
    else:
        shown = called(text[:LONGEST_SHOWN]) if text else "nothing"
        raise BadInput(f"found {shown}, expected {EXPECTED}")
    return Goal(-span_s if sign == "-" else span_s, relative=bool(sign))


def begin_at(typed: str) -> Goal:
    """Return what ``--at`` means: a time or an event; nothing is there yet to count from.

    Raises:
        BadInput: None of these.
    """
    try:
        found = goal(typed)
    except BadInput:
        found = None
    if found is None or found.cursor or found.relative:
        shown = called(typed.strip()[:LONGEST_SHOWN]) if typed.strip() else "nothing"
        raise BadInput(
            f"--at: found {shown}, expected seconds as 41.5, m:ss as 0:41, or #3 for an event"
        )
    return found
