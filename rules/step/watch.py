"""The findings beside debt, blindness and limits: each one room, each with a time it must last."""

from rules.channels import BOOST, DELIVERED, KNOCK
from rules.step.arithmetic import INFINITE, NAN, kept_share, smaller
from rules.step.constants import Constants
from rules.step.cross_checks import boost_contradicted, command_disagrees
from rules.step.debt import MIN_PER_S, next_debt
from rules.step.followed import not_followed
from rules.step.lasting import lasting
from rules.step.state import (
    COOLING_MISSING,
    CUT,
    KNOCK_PERSISTS,
    LATE_SAMPLES,
    NO_ACTION,
    NO_COMMAND,
    NO_DELIVERY,
    OVER_DELIVERY,
    PULL,
    TANK_LOW,
    UNASKED_FLOW,
    WARN,
    State,
)

USE_LAG_S = 2.0  # of the use a tank's time is reckoned with
TANK_FOR_S = 1.0  # fluid sloshes; a level must stay low
LATE_FORGOTTEN_S = 5.0
MOST_LATE = 10.0


def dry_response(k: Constants, s: State) -> float:
    """Return the action for an engine that gets nothing: cut above the dry limit, else pull."""
    return CUT if s.value[BOOST] > k.dry_limit_kpa else PULL


def flow_while_spraying(k: Constants, s: State, dt_s: float) -> float:
    """Judge a flow where much is expected: none at all, or more than was asked for.

    The excess is the debt's mirror image: what arrives beyond expectation and allowance, added up.
    """
    expected = s.expected_ml_min
    delivered = s.value[DELIVERED]
    allowance = s.allowance_ml_min
    none = delivered < k.floor_ml_min and 2.0 * allowance < expected
    worst = NO_ACTION
    if none or s.for_s[NO_DELIVERY] > 0.0:
        level = dry_response(k, s)
        worst = lasting(s, NO_DELIVERY, none, dt_s, k.no_delivery_for_s, level)
    surplus = (delivered - expected - allowance) * smaller(dt_s, k.longest_step_s) * MIN_PER_S
    if surplus > 0.0 or s.excess_ml > 0.0:
        s.excess_ml = next_debt(s.excess_ml, surplus)
        s.asked[OVER_DELIVERY] = k.over_action if s.excess_ml >= k.over_ml else NO_ACTION
    s.for_s[UNASKED_FLOW] = 0.0
    s.asked[UNASKED_FLOW] = NO_ACTION
    return worst


def flow_without_command(k: Constants, s: State, dt_s: float) -> float:
    """Judge a flow where nothing, or next to nothing, is expected: a siphon, or a stuck valve."""
    if s.for_s[NO_DELIVERY] > 0.0:
        s.for_s[NO_DELIVERY] = 0.0
        s.asked[NO_DELIVERY] = NO_ACTION
    if s.excess_ml > 0.0:
        repaid = k.floor_ml_min * smaller(dt_s, k.longest_step_s) * MIN_PER_S
        s.excess_ml = next_debt(s.excess_ml, -repaid)
        s.asked[OVER_DELIVERY] = k.over_action if s.excess_ml >= k.over_ml else NO_ACTION
    floor = k.floor_ml_min
    unasked = (
        s.value[DELIVERED] > k.unasked_ml_min
        and s.expected_ml_min < floor
        and s.commanded_ml_min < floor
    )
    if unasked or s.for_s[UNASKED_FLOW] > 0.0:
        return lasting(s, UNASKED_FLOW, unasked, dt_s, k.unasked_for_s, WARN)
    return NO_ACTION


def cooling(k: Constants, s: State, dt_s: float) -> float:
    """Judge whether spray that flows also cools: if not, it leaks away behind the flow sensor.

    With a dry intake temperature, by the drop from it; without, by the rise since boost was last
    below the onset.
    """
    column, dry_column = k.cooled_column, k.dry_column
    has_dry = dry_column > 0 and s.usable[dry_column] > 0.0
    s.cooling_k = s.value[dry_column] - s.value[column] if has_dry else NAN
    missing = False
    if s.value[BOOST] < k.onset_kpa:
        s.intake_before_c = s.value[column]
    elif (
        s.usable[column] > 0.0
        and s.expected_ml_min > k.spraying_ml_min
        and s.value[DELIVERED] > 0.7 * s.expected_ml_min
        and s.value[DELIVERED] > 0.7 * s.commanded_ml_min
    ):
        if has_dry and k.least_drop_k > 0.0:
            missing = s.cooling_k < k.least_drop_k
        else:
            missing = s.value[column] - s.intake_before_c > k.most_rise_k
    return lasting(s, COOLING_MISSING, missing, dt_s, k.cooling_for_s, k.cooling_action)


def tank(k: Constants, s: State, dt_s: float) -> float:
    """Reckon how long the tank lasts, and say when that, or the level, is too little."""
    column = k.tank_column
    delivered = s.value[DELIVERED]
    low = False
    if s.usable[column] > 0.0 and s.can_judge > 0.0:
        left_s = INFINITE
        if delivered > k.spraying_ml_min:
            kept = kept_share(dt_s, USE_LAG_S) if s.use_ml_min > 0.0 else 0.0
            s.use_ml_min = delivered + (s.use_ml_min - delivered) * kept
            left_s = s.value[column] / s.use_ml_min * 60.0
        s.tank_s = left_s
        low = s.value[column] < k.tank_reserve_ml or left_s < k.tank_time_s
    else:
        s.tank_s = INFINITE
    if low or s.for_s[TANK_LOW] > 0.0:
        return lasting(s, TANK_LOW, low, dt_s, TANK_FOR_S, WARN)
    return NO_ACTION


def watch(k: Constants, s: State, dt_s: float) -> float:
    """Ask every finding of this file; return the worst action asked, but for over-delivery's.

    What each asks for stands in ``ASKED``. Where an essential reading is unusable, what depends on
    it stands still, as the debt does.
    """
    worst = NO_ACTION
    boost_kpa = s.value[BOOST]
    if s.can_judge > 0.0:
        if s.expected_ml_min > k.spraying_ml_min:
            worst = flow_while_spraying(k, s, dt_s)
        else:
            worst = flow_without_command(k, s, dt_s)
        if k.cooled_column > 0:
            asked = cooling(k, s, dt_s)
            worst = asked if asked > worst else worst
    column = k.command_column
    if column > 0 and (boost_kpa >= k.no_command_above_kpa or s.for_s[NO_COMMAND] > 0.0):
        nil = (
            boost_kpa >= k.no_command_above_kpa
            and s.usable[column] > 0.0
            and s.usable[BOOST] > 0.0
            and s.value[column] < k.nil_command
        )
        asked = lasting(s, NO_COMMAND, nil, dt_s, k.no_command_for_s, dry_response(k, s))
        worst = asked if asked > worst else worst
    if s.action >= PULL or s.for_s[KNOCK_PERSISTS] > 0.0:
        knocks = s.action >= PULL and s.usable[KNOCK] > 0.0 and s.value[KNOCK] > k.knock_limit
        asked = lasting(s, KNOCK_PERSISTS, knocks, dt_s, k.knock_persists_for_s, CUT)
        worst = asked if asked > worst else worst
    if k.tank_column > 0:
        asked = tank(k, s, dt_s)
        worst = asked if asked > worst else worst
    if k.confirmed_retard_column > 0 or k.confirmed_ceiling_column > 0:
        asked = not_followed(k, s, dt_s)
        worst = asked if asked > worst else worst
    if k.law_column > 0 and s.can_judge > 0.0:
        asked = command_disagrees(k, s, dt_s)
        worst = asked if asked > worst else worst
    if k.duty_column > 0:
        asked = boost_contradicted(k, s, dt_s)
        worst = asked if asked > worst else worst
    if s.late_count > 0.0:
        s.late_count = s.late_count * kept_share(dt_s, LATE_FORGOTTEN_S)
        late = WARN if s.late_count > MOST_LATE else NO_ACTION
        s.asked[LATE_SAMPLES] = late
        worst = late if late > worst else worst
    return worst
