"""The ladder: no action, warn, pull timing, cut boost; latched, and released on stated terms.

How the parts interplay:

| what | raises | clears |
|---|---|---|
| warn | at once when a finding asks for it | when it has asked for nothing for ``clear_after_s`` |
| pull timing, cut boost | at once | latched: only by release, never by the finding going quiet |
| release | boost known and below ``release_below`` for ``release_after`` by a clock that runs right, no finding asking for more than a warning, and acknowledged where the rig asks | - |
| acknowledgement | counts only while something is latched; a new latch needs a new one | at release |
| the engine's action | the highest level of any finding; the finding behind it is the first one at it | - |
| timing pulled | paid timing at this boost x largest missing share since the latch x margin, up to the next step; all of it when anything but the debt pulls; at the top of the table when boost is unknown or in dispute | given back no faster than ``give_back`` as boost falls; nil at release |
| pull exhausted | more timing wanted than ``max_retard`` cuts boost | at release |
| boost ceiling | the dry limit, while any finding cuts boost | at release |
| shortfall while pulled | outlasting ``shortfall_outlasts`` cuts boost | at release |
"""  # noqa: E501 (a table row is one line)

from collections.abc import Sequence

from rules.channels import BOOST
from rules.step.arithmetic import interpolate, larger, round_up, smaller
from rules.step.constants import (
    ACKNOWLEDGE_TO_RELEASE,
    ARREARS_LIMIT_ML,
    BLIND_AFTER_S,
    CLEAR_AFTER_S,
    CUT_ML,
    DRY_LIMIT_KPA,
    ESSENTIAL,
    GIVE_BACK_DEG_S,
    LIMIT_ABOVE,
    LIMIT_ACTION,
    LIMIT_COLUMNS,
    LIMIT_FOR_S,
    LIMITED,
    LONGEST_STEP_S,
    MARGIN,
    MAX_RETARD_DEG,
    N_ESSENTIAL,
    N_LIMITED,
    N_PAID,
    ON_BLIND,
    ONSET_KPA,
    OUTLASTS_S,
    PAID_BOOST,
    PAID_TIMING,
    PAID_TOP_DEG,
    PULL_ML,
    RELEASE_AFTER_S,
    RELEASE_BELOW_KPA,
    SHARE,
    STEP_DEG,
    WARN_ML,
)
from rules.step.state import (
    ACKNOWLEDGED,
    ACTION,
    ARREARS_ML,
    ASKED,
    BLIND_S,
    BOOST_CONTRADICTED,
    CEILING_KPA,
    CHANGED,
    CLOCK_DOUBT_S,
    CLOCK_PACE,
    CLOCK_STEP,
    COMMAND_DISAGREES,
    DEBT_ML,
    EXCESS_ML,
    FINDING,
    FOR_S,
    HELD_MISSING,
    LEVEL,
    LOW_BOOST_S,
    MISSING_SHARE,
    N_FINDINGS,
    NO_FINDING,
    OVER_DELIVERY,
    OVERBOOST,
    PAID_DEG,
    PULLED_S,
    QUIET_S,
    RETARD_DEG,
    RETARD_HELD,
    SHORT_S,
    SIGNAL_LOST,
    UNDER_DELIVERY,
    UNSURE_S,
    UNUSABLE,
    USABLE,
    VALUE,
)
from rules.step.vector import Vector
from rules.step.watch import watch

NO_LEVEL = 0.0
WARN = 1.0
PULL = 2.0
CUT = 3.0
INFINITE = float("inf")


def debt_level(k: Vector, s: Vector, dt_s: float) -> float:
    """Return the action the debt, or the arrears, ask for (0 to 3); the warning has hysteresis."""
    debt = s[DEBT_ML]
    if s[LEVEL + UNDER_DELIVERY] == PULL and s[MISSING_SHARE] > k[SHARE]:
        s[PULLED_S] = s[PULLED_S] + dt_s
    if debt >= k[CUT_ML] or s[PULLED_S] > k[OUTLASTS_S]:
        return CUT
    if debt >= k[PULL_ML] or s[ARREARS_ML] >= k[ARREARS_LIMIT_ML]:
        return PULL
    if debt >= k[WARN_ML] or (s[LEVEL + UNDER_DELIVERY] >= WARN and debt > 0.5 * k[WARN_ML]):
        return WARN
    return NO_LEVEL


def blind_level(k: Vector, columns: Sequence[int], s: Vector, dt_s: float) -> float:
    """Return the action blindness asks for: the rig's, where it matters; else a warning.

    Called while some mapped channel is unusable, or the source's clock runs wrong. It matters where
    an essential channel is, or the clock does, and boost is above the onset, or unknown. Nothing is
    waited for by a clock that runs wrong: whoever found it has waited.
    """
    s[UNSURE_S] = s[UNSURE_S] + dt_s
    boost_usable = s[USABLE + BOOST] > 0.0
    wrong = s[CLOCK_PACE] != 1.0
    lost = wrong
    for i in range(ESSENTIAL, ESSENTIAL + columns[N_ESSENTIAL]):
        if s[USABLE + columns[i]] == 0.0:
            lost = True
    if lost and (not boost_usable or s[VALUE + BOOST] >= k[ONSET_KPA]):
        s[BLIND_S] = s[BLIND_S] + dt_s
        if wrong or s[BLIND_S] > k[BLIND_AFTER_S]:
            return k[ON_BLIND]
    else:
        s[BLIND_S] = 0.0
    return WARN if wrong or s[UNSURE_S] > k[BLIND_AFTER_S] else NO_LEVEL


def limit_level(k: Vector, s: Vector, index: int, dt_s: float) -> float:
    """Return the action a limit asks for while its channel's value is above it.

    ``index`` counts in the order of ``LIMIT_COLUMNS``.
    """
    column = LIMIT_COLUMNS[index]
    slot = FOR_S + OVERBOOST + index
    if s[USABLE + column] > 0.0:
        s[slot] = s[slot] + dt_s
        return k[LIMIT_ACTION + index] if s[slot] >= k[LIMIT_FOR_S + index] else NO_LEVEL
    s[slot] = 0.0
    return NO_LEVEL


def hold_level(k: Vector, s: Vector, finding: int, asked: float, dt_s: float) -> None:
    """Raise a finding's level at once, clear a warning after its quiet time, keep a latch."""
    level = s[LEVEL + finding]
    if asked > level:
        if asked >= PULL and level < PULL:
            s[ACKNOWLEDGED] = 0.0
        s[LEVEL + finding] = asked
        s[QUIET_S + finding] = 0.0
        s[CHANGED] = 1.0
    elif level == WARN:
        if asked >= WARN:
            s[QUIET_S + finding] = 0.0
        else:
            s[QUIET_S + finding] = s[QUIET_S + finding] + dt_s
            if s[QUIET_S + finding] >= k[CLEAR_AFTER_S]:
                s[LEVEL + finding] = NO_LEVEL
                s[CHANGED] = 1.0


def release(k: Vector, s: Vector, others_asked: float, dt_s: float) -> None:
    """Release every latch where the terms are met, and close the accounts.

    ``others_asked`` is the worst action asked by any finding but the two accounts: a debt (or an
    excess) made above is not paid off by staying out of boost, so it is closed here instead.
    """
    if s[ACTION] < PULL:  # the time out of boost counts from the latch on
        s[LOW_BOOST_S] = 0.0
        return
    known = s[USABLE + BOOST] > 0.0 and s[CLOCK_PACE] == 1.0
    if known and s[VALUE + BOOST] < k[RELEASE_BELOW_KPA]:
        # Across a gap nobody knows where boost has been.
        s[LOW_BOOST_S] = s[LOW_BOOST_S] + smaller(dt_s, k[LONGEST_STEP_S])
    else:
        s[LOW_BOOST_S] = 0.0
    if s[LOW_BOOST_S] < k[RELEASE_AFTER_S] or others_asked >= PULL:
        return
    if k[ACKNOWLEDGE_TO_RELEASE] > 0.0 and s[ACKNOWLEDGED] == 0.0:
        return
    for finding in range(N_FINDINGS):
        if s[LEVEL + finding] >= PULL:
            s[LEVEL + finding] = NO_LEVEL
    s[CHANGED] = 1.0
    s[ACKNOWLEDGED] = 0.0
    s[DEBT_ML] = 0.0
    s[ARREARS_ML] = 0.0
    s[EXCESS_ML] = 0.0
    s[ASKED + OVER_DELIVERY] = NO_LEVEL
    s[SHORT_S] = 0.0
    s[PULLED_S] = 0.0
    s[HELD_MISSING] = 0.0


def size_action(k: Vector, s: Vector, dt_s: float) -> None:
    """Work out action, finding, degrees and ceiling from the findings' levels."""
    action = NO_LEVEL
    behind = 0
    missing = s[HELD_MISSING]
    for finding in range(N_FINDINGS):
        level = s[LEVEL + finding]
        if level > action:
            action = level
            behind = finding
        if level >= PULL:
            # Only the debt knows a share; anything else takes back all the spray paid for.
            missing = larger(missing, s[MISSING_SHARE] if finding == UNDER_DELIVERY else 1.0)
    retard = 0.0
    ceiling = INFINITE
    if action >= PULL:
        s[HELD_MISSING] = missing
        # A boost reading in dispute says nothing of what the spray pays for.
        disputed = s[LEVEL + COMMAND_DISAGREES] >= PULL or s[LEVEL + BOOST_CONTRADICTED] >= PULL
        if s[USABLE + BOOST] > 0.0 and not disputed:
            s[PAID_DEG] = interpolate(s[VALUE + BOOST], k, PAID_BOOST, PAID_TIMING, int(k[N_PAID]))
        else:
            s[PAID_DEG] = k[PAID_TOP_DEG]
        wanted = s[PAID_DEG] * missing * k[MARGIN]
        # Taken at once, given back slowly.
        held = larger(wanted, s[RETARD_HELD] - k[GIVE_BACK_DEG_S] * dt_s)
        s[RETARD_HELD] = held
        retard = smaller(round_up(held, k[STEP_DEG]), k[MAX_RETARD_DEG])
        if action < CUT and wanted > k[MAX_RETARD_DEG]:
            s[LEVEL + behind] = CUT  # what pulling can't take back, boost must
            action = CUT
            s[CHANGED] = 1.0
        if action >= CUT:
            ceiling = k[DRY_LIMIT_KPA]
    else:
        s[RETARD_HELD] = 0.0
    shown = float(behind) if action > NO_LEVEL else NO_FINDING
    if action != s[ACTION] or shown != s[FINDING] or retard != s[RETARD_DEG]:
        s[CHANGED] = 1.0
    s[ACTION] = action
    s[FINDING] = shown
    s[RETARD_DEG] = retard
    s[CEILING_KPA] = ceiling


def decide(k: Vector, columns: Sequence[int], s: Vector, dt_s: float) -> None:
    """Ask every finding, hold or release its level, and size the action."""
    under = debt_level(k, s, dt_s)
    if s[UNUSABLE] == 0.0 and s[CLOCK_PACE] == 1.0:
        blind = NO_LEVEL
        s[BLIND_S] = 0.0
        s[UNSURE_S] = 0.0
    else:
        blind = blind_level(k, columns, s, dt_s)
    clock = WARN if s[CLOCK_DOUBT_S] > 0.0 else NO_LEVEL
    others = clock if clock > blind else blind
    for i in range(LIMITED, LIMITED + columns[N_LIMITED]):
        limit = columns[i]
        if s[VALUE + LIMIT_COLUMNS[limit]] > k[LIMIT_ABOVE + limit]:
            asked = limit_level(k, s, limit, dt_s)
            s[ASKED + OVERBOOST + limit] = asked
            if asked > others:
                others = asked
        else:
            s[ASKED + OVERBOOST + limit] = NO_LEVEL
            s[FOR_S + OVERBOOST + limit] = 0.0
    watched = watch(k, columns, s, dt_s)
    if watched > others:
        others = watched
    over = s[ASKED + OVER_DELIVERY]
    if s[ACTION] == NO_LEVEL and under == NO_LEVEL and others == NO_LEVEL and over == NO_LEVEL:
        return  # all quiet, as nearly always
    s[ASKED + UNDER_DELIVERY] = under
    s[ASKED + SIGNAL_LOST] = blind
    s[ASKED + CLOCK_STEP] = clock
    for finding in range(N_FINDINGS):
        hold_level(k, s, finding, s[ASKED + finding], dt_s)
    release(k, s, others, dt_s)
    size_action(k, s, dt_s)
