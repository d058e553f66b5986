"""Figures as text, so that what is shown agrees with what was decided."""

from typing import Final

DECIMALS: Final = 2
MOST_DECIMALS: Final = 4  # a tenth of a millisecond


def compared(one: float, other: float) -> tuple[str, str]:
    """Return two numbers as text, with as many decimals as show which is larger, 2 to 4.

    Two that are alike to that many have two decimals, and read as equal.
    """
    for decimals in range(DECIMALS, MOST_DECIMALS + 1):
        shown = f"{one:z.{decimals}f}", f"{other:z.{decimals}f}"
        if shown[0] != shown[1]:
            return shown
    return f"{one:z.{DECIMALS}f}", f"{other:z.{DECIMALS}f}"


def told_against(one: float, limit: float, *, what: str = "") -> str:
    """Return ``0.597 s of 0.600 s``, and that nothing is left where both read as equal.

    Args:
        one: How long it takes, s.
        limit: How long it may, s; below it is in time.
        what: Goes before the second figure's end, such as "tolerated".
    """
    shown, allowed = compared(one, limit)
    end = f" {what}" if what else ""
    return f"{shown} s of {allowed} s{end}" + (", nothing left" if shown == allowed else "")
