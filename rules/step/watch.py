"""The findings beside debt, blindness and limits: each a condition, and how long it must last."""

from rules.channels import BOOST, DELIVERED, KNOCK
from rules.step.arithmetic import INFINITE, kept_share, larger
from rules.step.boost_and_command import boost_contradicted, command_disagrees
from rules.step.charge import charge_level
from rules.step.constants import Constants
from rules.step.followed import not_followed
from rules.step.lasting import lasting
from rules.step.state import (
    CUT,
    KNOCK_PERSISTS,
    LATE_SAMPLES,
    LINE_DOUBTED,
    NO_ACTION,
    NO_COMMAND,
    PULL,
    RIG_DOUBTED,
    TANK_LOW,
    WARN,
    State,
)
from rules.step.surplus import surplus_level, weigh_surplus

USE_LAG_S = 2.0  # of the use a tank's time is reckoned with
TANK_FOR_S = 1.0  # fluid sloshes; a level must stay low
SWITCH_FOR_S = 3.0  # a float at its switch bobs for longer. Common practice, no source
LATE_FORGOTTEN_S = 5.0
MOST_LATE = 10.0


def dry_response(k: Constants, s: State) -> float:
    """Return the action for an engine that gets nothing: cut above the dry limit, else pull."""
    return CUT if s.value[BOOST] > k.dry_limit_kpa else PULL


def tank(k: Constants, s: State, dt_s: float) -> float:
    """Say when the tank is low: by its level, by how long it lasts, or by its switch."""
    low = k.tank_column > 0 and tank_level_low(k, s, dt_s)
    switch = k.switch_column
    if switch > 0 and s.usable[switch] > 0.0 and s.value[switch] > 0.0:
        s.switch_low_s = s.switch_low_s + dt_s
        # That long it has been low for, and longer than a level must be.
        low = low or s.switch_low_s > SWITCH_FOR_S - TANK_FOR_S
    else:
        s.switch_low_s = 0.0
    if low or s.for_s[TANK_LOW] > 0.0:
        return lasting(s, TANK_LOW, low, dt_s, TANK_FOR_S, WARN)
    return NO_ACTION


def tank_level_low(k: Constants, s: State, dt_s: float) -> bool:
    """Reckon how long the tank lasts; return whether that, or its level, is too little.

    By the flow; without a sensor for it, by what is commanded.
    """
    column = k.tank_column
    delivered = s.value[DELIVERED] if k.witness_column == DELIVERED else s.commanded_ml_min
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
    return low


def watch(k: Constants, s: State, dt_s: float) -> float:
    """Ask every finding of this file; return the worst action asked.

    What each asks for stands in ``s.asked``. Where an essential reading is unusable, what depends
    on it stands still, as the debt does.
    """
    boost_kpa = s.value[BOOST]
    worst = NO_ACTION
    if s.can_judge > 0.0:
        if k.witness_column == DELIVERED and s.unread_s == 0.0:
            weigh_surplus(k, s, s.value[DELIVERED], dt_s)
        if k.cooled_column > 0 and k.witness_column == DELIVERED:
            asked = charge_level(k, s)
            worst = asked if asked > worst else worst
    if s.surplus > 0.0:
        asked = surplus_level(k, s)
        worst = asked if asked > worst else worst
    worst = larger(worst, larger(s.asked[RIG_DOUBTED], s.asked[LINE_DOUBTED]))
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
    if k.tank_column > 0 or k.switch_column > 0:
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
