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

from rules.channels import BOOST, DELIVERED, INTAKE
from rules.step.arithmetic import INFINITE, interpolate, larger, round_up, smaller
from rules.step.constants import Constants
from rules.step.evidence import close_accounts
from rules.step.limits import limits_level
from rules.step.state import (
    BOOST_CONTRADICTED,
    CLOCK_STEP,
    COMMAND_DISAGREES,
    CUT,
    N_FINDINGS,
    NO_ACTION,
    NO_FINDING,
    OVER_DELIVERY,
    PULL,
    SIGNAL_LOST,
    UNDER_DELIVERY,
    WARN,
    State,
)
from rules.step.surplus import close_surplus
from rules.step.watch import watch


def debt_level(k: Constants, s: State, dt_s: float) -> float:
    """Return the action evidence and debt ask for (0 to 3); the warning has hysteresis.

    Evidence says whether spray is missing, debt how much: none of it counts without the other.
    Boost is cut by the witness alone.
    """
    evidence = s.evidence
    if evidence >= k.limit_nats:
        by_flow = k.witness_column == DELIVERED
        confirmed = not by_flow or s.flow_evidence >= k.warn_nats
        due = not by_flow or s.bank_most_ml_min > 0.0
        if s.level[UNDER_DELIVERY] == PULL and due and confirmed:
            s.pulled_s = s.pulled_s + dt_s
        much = confirmed and s.debt_ml >= k.cut_ml
        return CUT if much or s.pulled_s > k.outlasts_s else PULL
    warned = s.level[UNDER_DELIVERY] >= WARN and evidence > 0.5 * k.warn_nats
    return WARN if evidence >= k.warn_nats or warned else NO_ACTION


def unbelieved(k: Constants, s: State) -> bool:
    """Whether the one witness that a car has is not believed."""
    return k.witness_column == INTAKE and s.charge_wrong > 0.0


def blind_level(k: Constants, s: State, dt_s: float) -> float:
    """Return the action blindness asks for: the rig's, where it matters; else a warning.

    Called while some mapped channel is unusable, the only witness not believed, or the source's
    clock runs wrong. It matters where
    an essential channel is, or the clock does, and boost is above the onset, or unknown. Nothing is
    waited for by a clock that runs wrong: whoever found it has waited.
    """
    s.unsure_s = s.unsure_s + dt_s
    boost_usable = s.usable[BOOST] > 0.0
    wrong = s.clock_pace != 1.0
    lost = wrong or unbelieved(k, s)
    for i in range(k.n_essential):
        if s.usable[k.essential[i]] == 0.0:
            lost = True
    if lost and (not boost_usable or s.value[BOOST] >= k.onset_kpa):
        s.blind_s = s.blind_s + dt_s
        if wrong or s.blind_s > k.blind_after_s:
            return k.on_blind
    else:
        s.blind_s = 0.0
    return WARN if wrong or s.unsure_s > k.blind_after_s else NO_ACTION


def hold_level(k: Constants, s: State, finding: int, asked: float, dt_s: float) -> None:
    """Raise a finding's level at once, clear a warning after its quiet time, keep a latch."""
    level = s.level[finding]
    if asked > level:
        if asked >= PULL and level < PULL:
            s.acknowledged = 0.0
        s.level[finding] = asked
        s.quiet_s[finding] = 0.0
        s.changed = 1.0
    elif level == WARN:
        if asked >= WARN:
            s.quiet_s[finding] = 0.0
        else:
            s.quiet_s[finding] = s.quiet_s[finding] + dt_s
            if s.quiet_s[finding] >= k.clear_after_s:
                s.level[finding] = NO_ACTION
                s.changed = 1.0


def release(k: Constants, s: State, dt_s: float) -> None:
    """Release every latch where the terms are met, and close the accounts.

    No finding but the two of delivery may ask for more than a warning; one that can't be judged now
    asks for what it asked last. A debt (or an excess) made above is not paid off by staying out of
    boost, so it is closed here instead.
    """
    if s.action < PULL:  # the time out of boost counts from the latch on
        s.low_boost_s = 0.0
        return
    known = s.usable[BOOST] > 0.0 and s.clock_pace == 1.0
    if known and s.value[BOOST] < k.release_below_kpa:
        # Across a gap nobody knows where boost has been.
        s.low_boost_s = s.low_boost_s + smaller(dt_s, k.longest_step_s)
    else:
        s.low_boost_s = 0.0
    if s.low_boost_s < k.release_after_s:
        return
    for finding in range(N_FINDINGS):
        if s.asked[finding] >= PULL and finding not in (UNDER_DELIVERY, OVER_DELIVERY):
            return
    if k.acknowledge_to_release > 0.0 and s.acknowledged == 0.0:
        return
    for finding in range(N_FINDINGS):
        if s.level[finding] >= PULL:
            s.level[finding] = NO_ACTION
    s.changed = 1.0
    s.acknowledged = 0.0
    close_accounts(k, s)
    close_surplus(s)
    s.pulled_s = 0.0
    s.held_missing = 0.0


def missing_now(s: State) -> float:
    """Return the share of the spray that is missing, by whichever channel says more."""
    return s.missing_share if s.line_wrong > 0.0 else larger(s.missing_share, s.line_missing)


def size_action(k: Constants, s: State, dt_s: float) -> None:
    """Work out action, finding, degrees and ceiling from the findings' levels."""
    action = NO_ACTION
    behind = 0
    missing = s.held_missing
    for finding in range(N_FINDINGS):
        level = s.level[finding]
        if level > action:
            action = level
            behind = finding
        if level >= PULL:
            # Only the debt knows a share; anything else takes back all the spray paid for.
            missing = larger(missing, missing_now(s) if finding == UNDER_DELIVERY else 1.0)
    retard = 0.0
    ceiling = INFINITE
    if action >= PULL:
        s.held_missing = missing
        # A boost reading in dispute says nothing of what the spray pays for.
        disputed = s.level[COMMAND_DISAGREES] >= PULL or s.level[BOOST_CONTRADICTED] >= PULL
        if s.usable[BOOST] > 0.0 and not disputed:
            s.paid_deg = interpolate(s.value[BOOST], k.paid_boost, k.paid_timing, k.n_paid)
        else:
            s.paid_deg = k.paid_top_deg
        wanted = s.paid_deg * missing * k.margin
        # Taken at once, given back slowly.
        held = larger(wanted, s.retard_held_deg - k.give_back_deg_s * dt_s)
        s.retard_held_deg = held
        retard = smaller(round_up(held, k.step_deg), k.max_retard_deg)
        if action < CUT and wanted > k.max_retard_deg:
            s.level[behind] = CUT  # what pulling can't take back, boost must
            action = CUT
            s.changed = 1.0
        if action >= CUT:
            ceiling = k.dry_limit_kpa
    else:
        s.retard_held_deg = 0.0
    shown = float(behind) if action > NO_ACTION else NO_FINDING
    if action != s.action or shown != s.finding or retard != s.retard_deg:
        s.changed = 1.0
    s.action = action
    s.finding = shown
    s.retard_deg = retard
    s.boost_ceiling_kpa = ceiling


def decide(k: Constants, s: State, dt_s: float) -> None:
    """Ask every finding, hold or release its level, and size the action."""
    under = debt_level(k, s, dt_s)
    if s.unusable == 0.0 and s.clock_pace == 1.0 and not unbelieved(k, s):
        blind = NO_ACTION
        s.blind_s = 0.0
        s.unsure_s = 0.0
    else:
        blind = blind_level(k, s, dt_s)
    clock = WARN if s.clock_doubt_s > 0.0 else NO_ACTION
    others = clock if clock > blind else blind
    if k.n_limited > 0:
        limited = limits_level(k, s, dt_s)
        if limited > others:
            others = limited
    watched = watch(k, s, dt_s)
    if watched > others:
        others = watched
    if s.action == NO_ACTION and under == NO_ACTION and others == NO_ACTION:
        return  # all quiet, as nearly always
    s.asked[UNDER_DELIVERY] = under
    s.asked[SIGNAL_LOST] = blind
    s.asked[CLOCK_STEP] = clock
    for finding in range(N_FINDINGS):
        hold_level(k, s, finding, s.asked[finding], dt_s)
    release(k, s, dt_s)
    size_action(k, s, dt_s)
