"""The findings beside debt, blindness and limits: each one room, each with a time it must last."""

from collections.abc import Sequence

from rules.channels import BOOST, DELIVERED, KNOCK
from rules.step.arithmetic import kept_share, smaller
from rules.step.constants import (
    COMMAND_COLUMN,
    CONFIRMED_CEILING_COLUMN,
    CONFIRMED_RETARD_COLUMN,
    COOLED_COLUMN,
    COOLING_ACTION,
    COOLING_FOR_S,
    DRY_COLUMN,
    DRY_LIMIT_KPA,
    DUTY_COLUMN,
    FLOOR_ML_MIN,
    KNOCK_LIMIT,
    KNOCK_PERSISTS_FOR_S,
    LAW_COLUMN,
    LEAST_DROP_K,
    LONGEST_STEP_S,
    MOST_RISE_K,
    NIL_COMMAND,
    NO_COMMAND_ABOVE_KPA,
    NO_COMMAND_FOR_S,
    NO_DELIVERY_FOR_S,
    ONSET_KPA,
    OVER_ACTION,
    OVER_ML,
    SPRAYING_ML_MIN,
    TANK_COLUMN,
    TANK_RESERVE_ML,
    TANK_TIME_S,
    UNASKED_FOR_S,
    UNASKED_ML_MIN,
)
from rules.step.cross_checks import boost_contradicted, command_disagrees
from rules.step.debt import MIN_PER_S, next_debt
from rules.step.followed import not_followed
from rules.step.lasting import lasting
from rules.step.state import (
    ACTION,
    ALLOWANCE_ML_MIN,
    ASKED,
    COMMANDED_ML_MIN,
    COOLING_K,
    COOLING_MISSING,
    EXCESS_ML,
    EXPECTED_ML_MIN,
    FOR_S,
    INTAKE_BEFORE,
    JUDGED,
    KNOCK_PERSISTS,
    LATE_COUNT,
    LATE_SAMPLES,
    NO_COMMAND,
    NO_DELIVERY,
    OVER_DELIVERY,
    TANK_LOW,
    TANK_S,
    UNASKED_FLOW,
    USABLE,
    USE_ML_MIN,
    VALUE,
)
from rules.step.vector import Vector

NO_LEVEL = 0.0
WARN = 1.0
PULL = 2.0
CUT = 3.0
INFINITE = float("inf")
NAN = float("nan")

USE_LAG_S = 2.0  # of the use a tank's time is reckoned with
TANK_FOR_S = 1.0  # fluid sloshes; a level must stay low
LATE_FORGOTTEN_S = 5.0
MOST_LATE = 10.0


def dry_response(k: Vector, s: Vector) -> float:
    """Return the action for an engine that gets nothing: cut above the dry limit, else pull."""
    return CUT if s[VALUE + BOOST] > k[DRY_LIMIT_KPA] else PULL


def flow_while_spraying(k: Vector, s: Vector, dt_s: float) -> float:
    """Judge a flow where much is expected: none at all, or more than was asked for.

    The excess is the debt's mirror image: what arrives beyond expectation and allowance, added up.
    """
    expected = s[EXPECTED_ML_MIN]
    delivered = s[VALUE + DELIVERED]
    allowance = s[ALLOWANCE_ML_MIN]
    none = delivered < k[FLOOR_ML_MIN] and 2.0 * allowance < expected
    worst = NO_LEVEL
    if none or s[FOR_S + NO_DELIVERY] > 0.0:
        level = dry_response(k, s)
        worst = lasting(s, NO_DELIVERY, none, dt_s, k[NO_DELIVERY_FOR_S], level)
    surplus = (delivered - expected - allowance) * smaller(dt_s, k[LONGEST_STEP_S]) * MIN_PER_S
    if surplus > 0.0 or s[EXCESS_ML] > 0.0:
        s[EXCESS_ML] = next_debt(s[EXCESS_ML], surplus)
        s[ASKED + OVER_DELIVERY] = k[OVER_ACTION] if s[EXCESS_ML] >= k[OVER_ML] else NO_LEVEL
    s[FOR_S + UNASKED_FLOW] = 0.0
    s[ASKED + UNASKED_FLOW] = NO_LEVEL
    return worst


def flow_without_command(k: Vector, s: Vector, dt_s: float) -> float:
    """Judge a flow where nothing, or next to nothing, is expected: a siphon, or a stuck valve."""
    if s[FOR_S + NO_DELIVERY] > 0.0:
        s[FOR_S + NO_DELIVERY] = 0.0
        s[ASKED + NO_DELIVERY] = NO_LEVEL
    if s[EXCESS_ML] > 0.0:
        repaid = k[FLOOR_ML_MIN] * smaller(dt_s, k[LONGEST_STEP_S]) * MIN_PER_S
        s[EXCESS_ML] = next_debt(s[EXCESS_ML], -repaid)
        s[ASKED + OVER_DELIVERY] = k[OVER_ACTION] if s[EXCESS_ML] >= k[OVER_ML] else NO_LEVEL
    floor = k[FLOOR_ML_MIN]
    unasked = (
        s[VALUE + DELIVERED] > k[UNASKED_ML_MIN]
        and s[EXPECTED_ML_MIN] < floor
        and s[COMMANDED_ML_MIN] < floor
    )
    if unasked or s[FOR_S + UNASKED_FLOW] > 0.0:
        return lasting(s, UNASKED_FLOW, unasked, dt_s, k[UNASKED_FOR_S], WARN)
    return NO_LEVEL


def cooling(k: Vector, s: Vector, column: int, dry_column: int, dt_s: float) -> float:
    """Judge whether spray that flows also cools: if not, it leaks away behind the flow sensor.

    With a dry intake temperature, by the drop from it; without, by the rise since boost was last
    below the onset.
    """
    has_dry = dry_column > 0 and s[USABLE + dry_column] > 0.0
    s[COOLING_K] = s[VALUE + dry_column] - s[VALUE + column] if has_dry else NAN
    missing = False
    if s[VALUE + BOOST] < k[ONSET_KPA]:
        s[INTAKE_BEFORE] = s[VALUE + column]
    elif (
        s[USABLE + column] > 0.0
        and s[EXPECTED_ML_MIN] > k[SPRAYING_ML_MIN]
        and s[VALUE + DELIVERED] > 0.7 * s[EXPECTED_ML_MIN]
        and s[VALUE + DELIVERED] > 0.7 * s[COMMANDED_ML_MIN]
    ):
        if has_dry and k[LEAST_DROP_K] > 0.0:
            missing = s[COOLING_K] < k[LEAST_DROP_K]
        else:
            missing = s[VALUE + column] - s[INTAKE_BEFORE] > k[MOST_RISE_K]
    return lasting(s, COOLING_MISSING, missing, dt_s, k[COOLING_FOR_S], k[COOLING_ACTION])


def tank(k: Vector, s: Vector, column: int, dt_s: float) -> float:
    """Reckon how long the tank lasts, and say when that, or the level, is too little."""
    delivered = s[VALUE + DELIVERED]
    low = False
    if s[USABLE + column] > 0.0 and s[JUDGED] > 0.0:
        left_s = INFINITE
        if delivered > k[SPRAYING_ML_MIN]:
            kept = kept_share(dt_s, USE_LAG_S) if s[USE_ML_MIN] > 0.0 else 0.0
            s[USE_ML_MIN] = delivered + (s[USE_ML_MIN] - delivered) * kept
            left_s = s[VALUE + column] / s[USE_ML_MIN] * 60.0
        s[TANK_S] = left_s
        low = s[VALUE + column] < k[TANK_RESERVE_ML] or left_s < k[TANK_TIME_S]
    else:
        s[TANK_S] = INFINITE
    if low or s[FOR_S + TANK_LOW] > 0.0:
        return lasting(s, TANK_LOW, low, dt_s, TANK_FOR_S, WARN)
    return NO_LEVEL


def watch(k: Vector, columns: Sequence[int], s: Vector, dt_s: float) -> float:
    """Ask every finding of this file; return the worst action asked, but for over-delivery's.

    What each asks for stands in ``ASKED``. Where an essential reading is unusable, what depends on
    it stands still, as the debt does.
    """
    worst = NO_LEVEL
    boost_kpa = s[VALUE + BOOST]
    if s[JUDGED] > 0.0:
        if s[EXPECTED_ML_MIN] > k[SPRAYING_ML_MIN]:
            worst = flow_while_spraying(k, s, dt_s)
        else:
            worst = flow_without_command(k, s, dt_s)
        if columns[COOLED_COLUMN] > 0:
            asked = cooling(k, s, columns[COOLED_COLUMN], columns[DRY_COLUMN], dt_s)
            worst = asked if asked > worst else worst
    column = columns[COMMAND_COLUMN]
    if column > 0 and (boost_kpa >= k[NO_COMMAND_ABOVE_KPA] or s[FOR_S + NO_COMMAND] > 0.0):
        nil = (
            boost_kpa >= k[NO_COMMAND_ABOVE_KPA]
            and s[USABLE + column] > 0.0
            and s[USABLE + BOOST] > 0.0
            and s[VALUE + column] < k[NIL_COMMAND]
        )
        asked = lasting(s, NO_COMMAND, nil, dt_s, k[NO_COMMAND_FOR_S], dry_response(k, s))
        worst = asked if asked > worst else worst
    if s[ACTION] >= PULL or s[FOR_S + KNOCK_PERSISTS] > 0.0:
        knocks = s[ACTION] >= PULL and s[USABLE + KNOCK] > 0.0 and s[VALUE + KNOCK] > k[KNOCK_LIMIT]
        asked = lasting(s, KNOCK_PERSISTS, knocks, dt_s, k[KNOCK_PERSISTS_FOR_S], CUT)
        worst = asked if asked > worst else worst
    if columns[TANK_COLUMN] > 0:
        asked = tank(k, s, columns[TANK_COLUMN], dt_s)
        worst = asked if asked > worst else worst
    if columns[CONFIRMED_RETARD_COLUMN] > 0 or columns[CONFIRMED_CEILING_COLUMN] > 0:
        asked = not_followed(k, columns, s, dt_s)
        worst = asked if asked > worst else worst
    if columns[LAW_COLUMN] > 0 and s[JUDGED] > 0.0:
        asked = command_disagrees(k, s, columns[LAW_COLUMN], dt_s)
        worst = asked if asked > worst else worst
    if columns[DUTY_COLUMN] > 0:
        asked = boost_contradicted(k, s, dt_s)
        worst = asked if asked > worst else worst
    if s[LATE_COUNT] > 0.0:
        s[LATE_COUNT] = s[LATE_COUNT] * kept_share(dt_s, LATE_FORGOTTEN_S)
        late = WARN if s[LATE_COUNT] > MOST_LATE else NO_LEVEL
        s[ASKED + LATE_SAMPLES] = late
        worst = late if late > worst else worst
    return worst
