"""Evidence from the charge's temperature: spray that arrives cools the charge, behind a slow sensor.

The last witness: late, and nearly blind to a part that is missing, since a saturated charge is
cooled no further. But it alone feels what no flow sensor can: spray that leaks away behind it.

With a dry intake temperature the charge should read that, less what the spray cools. Without one it
should read what the intercooler's core was when no spray was due, plus what boost adds at once, plus
what the core soaks up as time goes by. The core is followed: down at once, up no faster than a core
can, so that an honest rise, however long, pulls nothing.
"""

from math import sqrt

from rules.channels import BOOST, ENGINE_SPEED
from rules.step.arithmetic import NAN, clamp, kept_share, larger, smaller
from rules.step.constants import Constants
from rules.step.evidence import CALM_NATS, MOST_RATIO, accuse
from rules.step.hydraulics import full_flow_ml_min
from rules.step.learning import OUTLIER
from rules.step.state import (
    CHARGE_ACCOUNTS,
    COOLING_MISSING,
    N_SIZES,
    NO_ACTION,
    PULL,
    UNDER_DELIVERY,
    WARN,
    State,
)

ENTRY_S = 0.1  # a thermistor says nothing new any sooner
# Of the dry charge: up to the first no spray evaporates that is worth counting, from the second on
# all that ever does. The plant's four cars from -10 to 40 degC outside; common practice, no source.
COLD_C = 10.0
WARM_C = 50.0
AIR_SHARE = 0.4  # of what boost warms the dry charge: of the air that passes; common practice
LEAST_SHARE = 0.3  # of full flow, or of full cooling: with less there is nothing to miss
CLOSES_S = 1.0  # after so long without spray due, longer than a gear shift
OFF_LAG_S = 0.5  # in which the core is followed while no spray is due
DOWN_LAG_S = 1.0  # and where the charge is colder than expected under spray
UP_LAG_S = 6.0  # and hotter
DRIFT_PER_S = 0.08  # of full cooling: how fast it may change, with the speed of the air
MOST_COLDER = 0.6
NEW_SHARE = 0.1  # of full flow: what has just been asked for, and is followed as quickly
COUNTS_S = 10.0  # what the rig says counts as much as so long of healthy spraying
REMEMBERED_S = 60.0
LEAST_CHARGE_DOUBT = 0.4  # of the rig's tolerance: never learned away
NO_SPRAY_SDS = 3.0  # so far above a dry charge no missing spray explains a reading
JUMP_SDS = 5.0
BELIEVED_S = 10.0  # of reading as it should


def weigh_charge(k: Constants, s: State, dt_s: float) -> None:
    """Enter ``dt_s`` of the charge's temperature into its evidence."""
    step_s = smaller(dt_s, k.longest_step_s)
    boost_kpa = s.value[BOOST]
    full = full_flow_ml_min(k, boost_kpa)
    share = smaller(s.commanded_ml_min / full, 1.0) if full > 0.0 else 0.0
    s.charge_entry_s += step_s
    s.charge_asked_s += share * step_s
    speed = smaller(s.value[ENGINE_SPEED] / k.redline_rpm, 1.0)
    if s.usable[ENGINE_SPEED] == 0.0:
        speed = 1.0
    # An intercooler does less of its work the more air goes through it.
    heat = larger(boost_kpa, 0.0) / k.top_boost_kpa * (1.0 - AIR_SHARE + AIR_SHARE * speed)
    s.charge_heat_s += heat * step_s
    if s.charge_entry_s < ENTRY_S:
        return
    entry_s = s.charge_entry_s
    follow_due(k, s, s.charge_asked_s / entry_s, s.charge_heat_s / entry_s, entry_s)
    s.charge_entry_s = 0.0
    s.charge_asked_s = 0.0
    s.charge_heat_s = 0.0
    s.charge_due_c = NAN
    if s.usable[k.cooled_column] == 0.0:
        close_charge(s)
        return
    has_dry = k.dry_column > 0 and s.usable[k.dry_column] > 0.0
    judge_charge(k, s, has_dry, entry_s)


def follow_due(k: Constants, s: State, asked: float, heat: float, entry_s: float) -> None:
    """Move on what the sensor shows of command and boost, for the fastest and the slowest car."""
    fast = kept_share(entry_s, k.charge_fast_s)
    slow = kept_share(entry_s, k.charge_slow_s)
    s.charge_fast = asked + (s.charge_fast - asked) * fast
    s.charge_slow = asked + (s.charge_slow - asked) * slow
    s.heat_fast = heat + (s.heat_fast - heat) * fast
    s.heat_slow = heat + (s.heat_slow - heat) * slow
    s.core_c += k.soak_k_s * heat * entry_s
    known = kept_share(entry_s, DOWN_LAG_S)
    s.heat_known = heat + (s.heat_known - heat) * known
    s.share_known = asked + (s.share_known - asked) * known


def judge_charge(k: Constants, s: State, has_dry: bool, entry_s: float) -> None:
    """Weigh one entry's reading."""
    read_c = s.value[k.cooled_column]
    share = smaller(s.charge_fast, s.charge_slow)
    middle = 0.5 * (s.heat_fast + s.heat_slow)
    moving = 0.0  # how far a dry charge may be off while it changes
    if has_dry:
        dry_c = s.value[k.dry_column]
        s.dry_slow_c = dry_c + (s.dry_slow_c - dry_c) * kept_share(entry_s, k.charge_slow_s)
        moving = dry_c - s.dry_slow_c
        moving = moving if moving > 0.0 else -moving
        s.core_c = dry_c - s.charge_rise * k.rise_k * middle
    else:
        if s.core_known == 0.0:
            if share > 0.0 or middle > 0.0:
                return
            s.core_known = 1.0
            s.core_c = read_c
        dry_c = s.core_c + s.charge_rise * k.rise_k * larger(s.heat_fast, s.heat_slow)
        s.dry_slow_c = dry_c
    warm = clamp((dry_c - COLD_C) / (WARM_C - COLD_C), 0.0, 1.0)
    due = larger(warm - s.charge_off, 0.0) * share if has_dry else warm * share
    s.charge_idle_s = s.charge_idle_s + entry_s if share < LEAST_SHARE else 0.0
    residual = (dry_c - read_c) / k.drop_k - due
    if due < LEAST_SHARE:
        s.charge_residual = residual
        if s.charge_idle_s > CLOSES_S:
            close_charge(s)
        if share == 0.0 or due < 0.05:
            off_c = read_c - s.core_c - s.charge_rise * k.rise_k * middle
            s.core_c += off_c * entry_s / (entry_s + OFF_LAG_S)
        return
    s.charge_due_c = dry_c - due * k.drop_k
    within = s.charge_doubt
    # What an honest charge may lack of its cooling, and be hotter than its boost makes it, until
    # that has lasted so long that what follows it has taken it up.
    unasked = larger(0.0, share - s.share_known)
    lacks = within * k.drop_within * warm * unasked + moving / k.drop_k
    if not has_dry:
        unheated = larger(0.0, larger(s.heat_fast, s.heat_slow) - s.heat_known)
        lacks += within * k.rise_within * k.rise_k * unheated / k.drop_k
    kept = s.charge_lasts_s / (s.charge_lasts_s + entry_s)
    fresh = 1.0 - kept
    deviation = sqrt(s.charge_noise_sq)
    before = s.charge_residual
    most = k.drop_k * (1.0 + k.drop_within) * (1.0 - kept_share(entry_s, k.charge_fast_s))
    jumped = (before - residual) * k.drop_k > most + JUMP_SDS * deviation * k.drop_k
    deaf = residual < -(1.0 + 2.0 * k.drop_within) * due - NO_SPRAY_SDS * deviation - lacks
    s.charge_residual = residual
    if jumped or deaf:
        doubt_charge(s)
    off = residual - kept * smaller(before, 2.0 * deviation) + lacks * fresh
    variance = s.charge_noise_sq * (1.0 - kept * kept)
    s.charge_evidence = accuse(
        k, s, CHARGE_ACCOUNTS, due * fresh, off, variance, MOST_RATIO * k.limit_nats
    )
    s.charge_short_s = s.charge_short_s + entry_s if s.charge_evidence > 0.0 else 0.0
    believe_charge(s, entry_s)
    if s.charge_evidence <= CALM_NATS:
        learn_charge(k, s, residual, has_dry, unasked > NEW_SHARE, entry_s)


def learn_charge(
    k: Constants, s: State, residual: float, has_dry: bool, is_new: bool, entry_s: float
) -> None:
    """Follow the core, and learn how far spray cools, or boost warms, while all is calm."""
    off = residual * k.drop_k  # colder than expected: positive
    lag_s = DOWN_LAG_S if off > 0.0 or is_new else UP_LAG_S
    followed = entry_s / (entry_s + lag_s)
    if has_dry:
        off = s.charge_off - residual * followed + DRIFT_PER_S * entry_s
        s.charge_off = clamp(off, -MOST_COLDER, k.drop_within)
    else:
        s.core_c -= off * followed
    if s.flow_evidence > CALM_NATS or s.charge_wrong > 0.0:
        return
    s.charge_learned_s += entry_s
    weight = entry_s / smaller(COUNTS_S + s.charge_learned_s, REMEMBERED_S)
    most = OUTLIER * sqrt(s.charge_noise_sq)
    if not has_dry:
        rise = s.charge_rise - weight * clamp(residual, -most, most) * k.drop_k / k.rise_k
        s.charge_rise = clamp(rise, 1.0 - k.rise_within, 1.0 + k.rise_within)
    s.charge_doubt = LEAST_CHARGE_DOUBT + (1.0 - LEAST_CHARGE_DOUBT) * COUNTS_S / (
        COUNTS_S + s.charge_learned_s
    )


def doubt_charge(s: State) -> None:
    """Believe the charge's temperature no more."""
    s.charge_wrong = 1.0
    s.charge_sound_s = 0.0


def believe_charge(s: State, entry_s: float) -> None:
    """Believe a reading again that has been as it should for a while."""
    if s.charge_wrong == 0.0:
        return
    s.charge_sound_s = 0.0 if s.charge_evidence > CALM_NATS else s.charge_sound_s + entry_s
    if s.charge_sound_s > BELIEVED_S:
        s.charge_wrong = 0.0


def close_charge(s: State) -> None:
    """Begin anew: nothing is known of the spray's cooling."""
    if s.charge_short_s == 0.0 and s.charge_evidence == 0.0:
        return
    for i in range(N_SIZES):
        s.account[CHARGE_ACCOUNTS + i] = 0.0
    s.charge_evidence = 0.0
    s.charge_short_s = 0.0


def charge_level(k: Constants, s: State) -> float:
    """Return what the charge's temperature alone asks for (0 to 2), and note it.

    Where flow or line speak too, it adds to theirs, and the shortfall goes by its own name. Where
    both say that the spray arrives, or no missing spray explains it, it is the sensor that is
    wrong: what it pulled for is taken back.
    """
    asked = NO_ACTION
    if s.charge_evidence >= k.warn_nats and s.level[UNDER_DELIVERY] == NO_ACTION:
        asked = PULL if s.charge_evidence >= k.limit_nats else WARN
        if s.charge_wrong > 0.0 or (s.line_due_kpa == s.line_due_kpa and s.line_wrong == 0.0):
            asked = WARN
    if s.charge_wrong > 0.0 and s.level[COOLING_MISSING] == PULL:
        s.level[COOLING_MISSING] = WARN
        s.changed = 1.0
    s.asked[COOLING_MISSING] = asked
    return asked
