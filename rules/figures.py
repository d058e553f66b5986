"""Figures as text, so that what is shown agrees with what was decided."""

from typing import Final, NamedTuple

DECIMALS: Final = 2
MOST_DECIMALS: Final = 4  # a tenth of a millisecond


def decimals_apart(one: float, other: float) -> int:
    """Return how many decimals show which of two numbers is larger, 2 to 4; 2 where none do."""
    for decimals in range(DECIMALS, MOST_DECIMALS + 1):
        if f"{one:z.{decimals}f}" != f"{other:z.{decimals}f}":
            return decimals
    return DECIMALS


def compared(one: float, other: float) -> tuple[str, str]:
    """Return two numbers as text that shows which is larger; alike to 4 decimals, as equal."""
    decimals = decimals_apart(one, other)
    return f"{one:z.{decimals}f}", f"{other:z.{decimals}f}"


class Told(NamedTuple):
    """How long something takes and how long it may, as text, and what comes of it."""

    takes: str
    allowed: str
    verdict: str


def told(takes_s: float, allowed_s: float) -> Told:
    """Return a time against its limit: below it is in time, and what is shown agrees with that."""
    takes, allowed = compared(takes_s, allowed_s)
    late = "TOO LATE, nothing is left" if takes == allowed else "TOO LATE"
    return Told(takes, allowed, "in time" if takes_s < allowed_s else late)
