"""Is what was decided also done? Judged by what the engine controller itself confirms."""

from collections.abc import Sequence

from rules.channels import BOOST
from rules.step.constants import (
    CONFIRM_DEG,
    CONFIRM_KPA,
    CONFIRM_WITHIN_S,
    CONFIRMED_CEILING_COLUMN,
    CONFIRMED_RETARD_COLUMN,
    NOT_FOLLOWED_ACTION,
    ONSET_KPA,
)
from rules.step.state import (
    ASKED,
    CEILING_KPA,
    CUT_S,
    DUE_DEG,
    NEXT_DEG,
    NEXT_S,
    NOT_FOLLOWED,
    RETARD_DEG,
    USABLE,
    VALUE,
)
from rules.step.vector import Vector

NO_LEVEL = 0.0
INFINITE = float("inf")


def retard_due_deg(k: Vector, s: Vector, dt_s: float) -> float:
    """Return the retard that must be done by now: asked for, without less, for long enough.

    A retard that rises all the time is followed with a lag, and that is no fault: what is due
    rises in steps, each after its whole time (so it is found after once to twice that time).
    """
    asked = s[RETARD_DEG]
    if asked < s[DUE_DEG]:
        s[DUE_DEG] = asked
    if asked < s[NEXT_DEG]:
        s[NEXT_DEG] = asked
    if s[NEXT_DEG] > s[DUE_DEG]:
        s[NEXT_S] = s[NEXT_S] + dt_s
        if s[NEXT_S] > k[CONFIRM_WITHIN_S]:
            s[DUE_DEG] = s[NEXT_DEG]
            s[NEXT_DEG] = asked
            s[NEXT_S] = 0.0
    else:
        s[NEXT_DEG] = asked
        s[NEXT_S] = 0.0
    return s[DUE_DEG]


def not_followed(k: Vector, columns: Sequence[int], s: Vector, dt_s: float) -> float:
    """Ask for the rig's action where a retard or ceiling in force is not confirmed in time.

    A confirmation that is stale or implausible confirms nothing. Below the onset, with boost known,
    nothing is asked: what is latched there could otherwise never be released.
    """
    missing = False
    column = columns[CONFIRMED_RETARD_COLUMN]
    if column > 0:
        due_deg = retard_due_deg(k, s, dt_s) - k[CONFIRM_DEG]
        if due_deg > 0.0 and (s[USABLE + column] == 0.0 or s[VALUE + column] < due_deg):
            missing = True
    column = columns[CONFIRMED_CEILING_COLUMN]
    if column > 0:
        s[CUT_S] = s[CUT_S] + dt_s if s[CEILING_KPA] < INFINITE else 0.0
        if s[CUT_S] > k[CONFIRM_WITHIN_S] and (
            s[USABLE + column] == 0.0 or s[VALUE + column] > s[CEILING_KPA] + k[CONFIRM_KPA]
        ):
            missing = True
    if missing and s[USABLE + BOOST] > 0.0 and s[VALUE + BOOST] < k[ONSET_KPA]:
        missing = False
    asked = k[NOT_FOLLOWED_ACTION] if missing else NO_LEVEL
    s[ASKED + NOT_FOLLOWED] = asked
    return asked
