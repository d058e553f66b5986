"""The account: spray that was commanded and did not arrive, in millilitres."""

from rules.step.arithmetic import kept_share, smaller
from rules.step.constants import Constants
from rules.step.state import UNDER_DELIVERY, State

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


def account(k: Constants, s: State, delivered_ml_min: float, dt_s: float) -> None:
    """Enter ``dt_s`` of delivered flow (usable, mL/min) into the debt; size what is missing.

    A step longer than ``longest_step_s`` says nothing about the time in between and counts as that
    much only.
    """
    expected = s.expected_ml_min
    ahead = expected - s.undelayed_ml_min
    delay = delay_part_ml_min(k.delay_tolerance_s, s.rate_ml_min_s, k.lead, ahead)
    allowance = allowance_ml_min(k.share, k.floor_ml_min, delay, expected)
    s.allowance_ml_min = allowance
    short = expected - delivered_ml_min
    step_s = smaller(dt_s, k.longest_step_s)
    debt = next_debt(s.debt_ml, (short - allowance) * step_s * MIN_PER_S)
    s.debt_ml = debt
    # An error of the delay shifts millilitres and never loses them, so an account whose limit lies
    # above that volume needs no allowance for it, and finds what the debt's allowances cover up.
    s.arrears_ml = next_debt(
        s.arrears_ml, (short - k.arrears_share * expected) * step_s * MIN_PER_S
    )
    if debt > 0.0:
        # The peak outlives its shortfall, so that whoever looks at changes alone still sees it.
        new = s.short_s == 0.0 and s.level[UNDER_DELIVERY] == 0.0
        if new or debt > s.peak_debt_ml:
            s.peak_debt_ml = debt
        s.short_s = s.short_s + dt_s
    else:
        s.short_s = 0.0
    kept = kept_share(dt_s, k.missing_lag_s)
    s.short_smooth_ml_min = short + (s.short_smooth_ml_min - short) * kept
    s.expected_smooth_ml_min = expected + (s.expected_smooth_ml_min - expected) * kept
    # Below the noise floor a ratio is all noise.
    if s.short_smooth_ml_min > 0.0 and s.expected_smooth_ml_min > 2.0 * k.floor_ml_min:
        s.missing_share = smaller(s.short_smooth_ml_min / s.expected_smooth_ml_min, 1.0)
    else:
        s.missing_share = 0.0
