"""What a finding asks for whose condition must hold for a time."""

from rules.step.state import NO_ACTION, State


def lasting(s: State, finding: int, holds: bool, dt_s: float, for_s: float, level: float) -> float:
    """Return what a finding asks for whose condition must hold for a time, and note it."""
    asked = NO_ACTION
    if holds:
        s.for_s[finding] = s.for_s[finding] + dt_s
        if s.for_s[finding] > for_s:
            asked = level
    else:
        s.for_s[finding] = 0.0
    s.asked[finding] = asked
    return asked
