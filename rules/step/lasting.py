"""What a finding asks for whose condition must hold for a time."""

from rules.step.state import ASKED, FOR_S
from rules.step.vector import Vector

NO_LEVEL = 0.0


def lasting(s: Vector, finding: int, holds: bool, dt_s: float, for_s: float, level: float) -> float:
    """Return what a finding asks for whose condition must hold for a time, and note it."""
    asked = NO_LEVEL
    if holds:
        s[FOR_S + finding] = s[FOR_S + finding] + dt_s
        if s[FOR_S + finding] > for_s:
            asked = level
    else:
        s[FOR_S + finding] = 0.0
    s[ASKED + finding] = asked
    return asked
