"""The account: spray that was commanded and did not arrive, in millilitres."""

from rules.step.arithmetic import kept_share, smaller
from rules.step.constants import (
    ARREARS_SHARE,
    DELAY_TOLERANCE_S,
    FLOOR_ML_MIN,
    LEAD,
    LONGEST_STEP_S,
    MISSING_LAG_S,
    SHARE,
)
from rules.step.state import (
    ALLOWANCE_ML_MIN,
    ARREARS_ML,
    DEBT_ML,
    EXPECTED_ML_MIN,
    EXPECTED_SMOOTH,
    LEVEL,
    MISSING_SHARE,
    PEAK_DEBT_ML,
    RATE_ML_MIN_S,
    SHORT_S,
    SHORT_SMOOTH,
    UNDELAYED_ML_MIN,
    UNDER_DELIVERY,
)
from rules.step.vector import Vector

MIN_PER_S = 1.0 / 60.0


def allowance_ml_min(
    share: float, floor_ml_min: float, delay_ml_min: float, expected_ml_min: float
) -> float:
    """Return how far below the expected reading the sensor may honestly be, mL/min.

    Three parts: ``share`` of the expected flow (sensor gain), ``floor_ml_min`` (noise), and
    ``delay_ml_min`` (how far off our idea of the delay may be; see ``delay_part_ml_min``).
    """
    return share * expected_ml_min + floor_ml_min + delay_ml_min


def delay_part_ml_min(
    delay_tolerance_s: float, rate_ml_min_s: float, lead: float, ahead_ml_min: float
) -> float:
    """Return the delay's part of the allowance, mL/min: nil while the command stands still.

    ``delay_tolerance_s`` times the rate at which the expected flow moves; or, where it is more,
    ``lead`` times how far the flow of a car without delay has fallen below it (``ahead_ml_min``):
    when a command falls, an early car's flow does so before the expectation moves at all.
    """
    by_rate = delay_tolerance_s * rate_ml_min_s
    by_lead = lead * ahead_ml_min
    return by_lead if by_lead > by_rate else by_rate


def next_debt(debt: float, excess: float) -> float:
    """Return the account after one entry: max(0, debt + excess), both in the same unit.

    The one-sided cumulative sum of Page, Biometrika 41 (1954). ``excess`` is what arrived short of
    the expectation beyond the allowance (negative repays).
    """
    debt = debt + excess
    return debt if debt > 0.0 else 0.0


def account(k: Vector, s: Vector, delivered_ml_min: float, dt_s: float) -> None:
    """Enter ``dt_s`` of delivered flow (usable, mL/min) into the debt; size what is missing.

    A step longer than ``longest_step_s`` says nothing about the time in between and counts as that
    much only.
    """
    expected = s[EXPECTED_ML_MIN]
    ahead = expected - s[UNDELAYED_ML_MIN]
    delay = delay_part_ml_min(k[DELAY_TOLERANCE_S], s[RATE_ML_MIN_S], k[LEAD], ahead)
    allowance = allowance_ml_min(k[SHARE], k[FLOOR_ML_MIN], delay, expected)
    s[ALLOWANCE_ML_MIN] = allowance
    short = expected - delivered_ml_min
    step_s = smaller(dt_s, k[LONGEST_STEP_S])
    debt = next_debt(s[DEBT_ML], (short - allowance) * step_s * MIN_PER_S)
    s[DEBT_ML] = debt
    # An error of the delay shifts millilitres and never loses them, so an account whose limit lies
    # above that volume needs no allowance for it, and finds what the debt's allowances cover up.
    s[ARREARS_ML] = next_debt(
        s[ARREARS_ML], (short - k[ARREARS_SHARE] * expected) * step_s * MIN_PER_S
    )
    if debt > 0.0:
        # The peak outlives its shortfall, so that whoever looks at changes alone still sees it.
        new = s[SHORT_S] == 0.0 and s[LEVEL + UNDER_DELIVERY] == 0.0
        if new or debt > s[PEAK_DEBT_ML]:
            s[PEAK_DEBT_ML] = debt
        s[SHORT_S] = s[SHORT_S] + dt_s
    else:
        s[SHORT_S] = 0.0
    kept = kept_share(dt_s, k[MISSING_LAG_S])
    s[SHORT_SMOOTH] = short + (s[SHORT_SMOOTH] - short) * kept
    s[EXPECTED_SMOOTH] = expected + (s[EXPECTED_SMOOTH] - expected) * kept
    # Below the noise floor a ratio is all noise.
    if s[SHORT_SMOOTH] > 0.0 and s[EXPECTED_SMOOTH] > 2.0 * k[FLOOR_ML_MIN]:
        s[MISSING_SHARE] = smaller(s[SHORT_SMOOTH] / s[EXPECTED_SMOOTH], 1.0)
    else:
        s[MISSING_SHARE] = 0.0
