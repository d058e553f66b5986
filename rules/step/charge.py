"""Evidence from the charge's temperature: spray that arrives cools it, behind a slow sensor.

The last witness: late, and nearly blind to a part that is missing, since a saturated charge is
cooled no further. But it alone feels what no flow sensor can: spray that leaks away behind it.

With a dry intake temperature the charge should read that, less what the spray cools. Without one
it should read what it was with neither boost nor spray, plus what boost adds at once, plus what the
intercooler's core soaks up. Either way what is expected follows the reading: at once where that is
colder, slowly where it is hotter, and not at all where that speaks of missing spray. So an honest
rise pulls nothing, however far it goes; a loss is a rise that no core is as quick as.
"""

from math import sqrt

from rules.channels import BOOST, DELIVERED, ENGINE_SPEED, INTAKE
from rules.step.arithmetic import NAN, clamp, kept_share, larger, smaller
from rules.step.constants import Constants
from rules.step.evidence import CALM_NATS, MOST_EVIDENCE, MOST_RATIO, accuse, keep_peak, owe
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
# Dry charge: at the first spray cools it by nothing that counts, from the second on by all it ever
# does. The plant's four cars from -10 to 40 degC outside; common practice, no source.
COLD_C = 10.0
WARM_C = 50.0
AIR_SHARE = 0.4  # of what boost adds, as much goes with the air that passes; common practice
LEAST_SPEED = 0.1  # of the redline: an engine that makes boost turns faster
LEAST_AIR = 0.05  # of the most it draws
LEAST_SHARE = 0.3  # of full cooling: with less there is nothing to miss
CLOSES_S = 1.0  # after so long with less, longer than a gear shift
OFF_LAG_S = 0.5  # in which what is expected follows while no spray is due
DOWN_LAG_S = 1.0  # where the charge is colder under spray, or much of that has just been asked for
UP_LAG_S = 6.0  # and where it is hotter
NEW_SHARE = 0.05
NOTHING = 0.02  # of full command or boost: what a lag leaves of it counts no more
LASTS_S = 2.0  # what has been asked for so long is followed by then
DRIFT_PER_S = 0.08  # of full cooling: as fast it may change with speed and heat of the air
MOST_COLDER = 0.6  # of full cooling: saturation leaves that much to a smaller command
COUNTS_S = 10.0  # what the rig says counts as much as so long of healthy spraying
REMEMBERED_S = 60.0
LEAST_CHARGE_DOUBT = 0.4  # of the rig's tolerances: never learned away
NO_SPRAY_SDS = 3.0  # so far above a charge without any spray, and it is something else
JUMP_SDS = 5.0  # above what no spray at all does so quickly
BELIEVED_S = 3.0  # of spray due, and the reading right
TOLD_S = 1.0  # of a reading that isn't believed, and still too hot


def weigh_charge(k: Constants, s: State, dt_s: float) -> None:
    """Enter ``dt_s`` of the charge's temperature into its evidence."""
    has_dry = k.dry_column > 0 and s.usable[k.dry_column] > 0.0
    s.cooling_k = s.value[k.dry_column] - s.value[k.cooled_column] if has_dry else NAN
    step_s = smaller(dt_s, k.longest_step_s)
    boost_kpa = s.value[BOOST]
    speed = smaller(s.value[ENGINE_SPEED] / k.redline_rpm, 1.0)
    if s.usable[ENGINE_SPEED] == 0.0 or speed < LEAST_SPEED:
        speed = 1.0  # not known: where boost adds most
    s.charge_entry_s += step_s
    if s.commanded_ml_min > 0.0:
        full = larger(s.full_now_ml_min, k.nil_ml_min)
        s.charge_asked_s += smaller(s.commanded_ml_min / full, 1.0) * step_s
    # An intercooler does less of its work the more air goes through it.
    flows = 1.0 - AIR_SHARE + AIR_SHARE * speed
    s.charge_heat_s += larger(boost_kpa, 0.0) / k.top_boost_kpa * flows * step_s
    if s.charge_entry_s < ENTRY_S:
        return
    entry_s = s.charge_entry_s
    follow_due(k, s, s.charge_asked_s / entry_s, s.charge_heat_s / entry_s, entry_s)
    s.charge_entry_s = 0.0
    s.charge_asked_s = 0.0
    s.charge_heat_s = 0.0
    s.charge_due_c = NAN
    if s.usable[k.cooled_column] > 0.0 and (has_dry or k.rise_k > 0.0):
        pressure = (k.ambient_kpa + boost_kpa) / (k.ambient_kpa + k.top_boost_kpa)
        judge_charge(k, s, has_dry, larger(speed * pressure, LEAST_AIR), entry_s)
    else:
        s.charge_cooled = 0.0
        close_charge(s)
    if k.witness_column == INTAKE:
        before_ml = s.debt_ml
        missing = 0.0
        if s.charge_due_c == s.charge_due_c:
            hotter_k = s.value[INTAKE] - s.charge_due_c
            missing = smaller(hotter_k / (s.charge_cooled * k.drop_k), 1.0)
        owe(k, s, missing, s.charge_evidence, entry_s)
        keep_peak(s, before_ml)


def follow_due(k: Constants, s: State, asked: float, heat: float, entry_s: float) -> None:
    """Move on what the sensor shows of command and boost, for the quickest and the slowest car."""
    fast = kept_share(entry_s, k.charge_fast_s)
    slow = kept_share(entry_s, k.charge_slow_s)
    lasting = kept_share(entry_s, LASTS_S)
    s.asked_fast = asked + (s.asked_fast - asked) * fast
    s.asked_slow = asked + (s.asked_slow - asked) * slow
    s.asked_lasting = asked + (s.asked_lasting - asked) * lasting
    s.heat_fast = heat + (s.heat_fast - heat) * fast
    s.heat_slow = heat + (s.heat_slow - heat) * slow
    s.heat_lasting = heat + (s.heat_lasting - heat) * lasting
    s.core_c += k.soak_k_s * heat * entry_s


def judge_charge(k: Constants, s: State, has_dry: bool, air: float, entry_s: float) -> None:
    """Weigh one entry's reading, with or without a dry one beside it.

    Args:
        k: Constants.
        s: State.
        has_dry: Whether there is a dry reading.
        air: What air the engine draws, as a share of the most, > 0.
        entry_s: How long the entry is, s.
    """
    read_c = s.value[k.cooled_column]
    share = smaller(s.asked_fast, s.asked_slow)
    rise_k = s.charge_rise * k.rise_k
    middle_k = 0.5 * rise_k * (s.heat_fast + s.heat_slow)
    heat = larger(s.heat_fast, s.heat_slow)
    # What an honest charge may be hotter, until it has lasted so long that it is followed.
    new = larger(0.0, share - s.asked_lasting)
    off_k = 0.0
    if has_dry:
        dry_c = s.value[k.dry_column]
        s.dry_slow_c = dry_c + (s.dry_slow_c - dry_c) * kept_share(entry_s, k.charge_slow_s)
        off_k = larger(dry_c - s.dry_slow_c, s.dry_slow_c - dry_c)  # its lag is another
        s.core_c = dry_c - middle_k
        s.core_known = 1.0
    elif s.core_known == 0.0:
        if share > NOTHING or heat > NOTHING:
            return
        s.core_known = 1.0
        s.core_c = read_c
        dry_c = read_c
    else:
        dry_c = s.core_c + rise_k * heat
        off_k = s.charge_doubt * k.rise_within * k.rise_k * larger(0.0, heat - s.heat_lasting)
    warm = clamp((dry_c - COLD_C) / (WARM_C - COLD_C), 0.0, 1.0)
    cooled = larger(warm - s.charge_off, 0.0) if has_dry else warm
    due = cooled * share
    # Spray cools less air farther, until that is saturated. How much farther is told by what is
    # followed alone, and lost again as more air comes to the spray.
    rich = share / air
    if not has_dry:
        farther = s.charge_cooled
        kept = 1.0
        if rich < s.charge_rich:
            kept = rich / s.charge_rich
        if share < s.charge_share:  # and less spray cools less, however little air is left
            kept = smaller(kept, share / s.charge_share)
        due = larger(due, farther * kept)
    s.charge_rich = rich
    s.charge_share = share
    s.charge_cooled = due
    deviation = sqrt(k.charge_noise_sq)
    before = smaller(s.charge_residual, 2.0 * deviation)  # from farther down it may only come back
    residual = (dry_c - read_c) / k.drop_k - due
    s.charge_residual = residual
    if due < LEAST_SHARE:
        s.charge_idle_s += entry_s
        if s.charge_idle_s > CLOSES_S:
            close_charge(s)
        if share < NEW_SHARE:
            cooled_k = 0.5 * warm * k.drop_k * (s.asked_fast + s.asked_slow)
            core_c = read_c + cooled_k - middle_k
            s.core_c += (core_c - s.core_c) * entry_s / (entry_s + OFF_LAG_S)
        return
    s.charge_idle_s = 0.0
    s.charge_due_c = dry_c - due * k.drop_k
    lacks = s.charge_doubt * k.drop_within * warm * new + off_k / k.drop_k
    if not_believed(k, s, before - residual, residual + lacks, due, entry_s):
        return
    kept = k.charge_correlation_s / (k.charge_correlation_s + entry_s)
    fresh = 1.0 - kept
    off = residual - kept * before + lacks * fresh
    variance = k.charge_noise_sq * (1.0 - kept * kept)
    most_ratio, most = MOST_RATIO * k.limit_nats, MOST_EVIDENCE * k.limit_nats
    s.charge_evidence = accuse(k, s, CHARGE_ACCOUNTS, due * fresh, off, variance, most_ratio, most)
    s.charge_short_s = s.charge_short_s + entry_s if s.charge_evidence > 0.0 else 0.0
    if s.charge_evidence <= CALM_NATS:
        lag_s = DOWN_LAG_S if residual > 0.0 or new > NEW_SHARE else UP_LAG_S
        followed = residual * entry_s / (entry_s + lag_s)
        if has_dry:
            off = s.charge_off - followed + DRIFT_PER_S * entry_s
            s.charge_off = clamp(off, -MOST_COLDER, k.drop_within)
        else:
            if residual > 0.0:  # soon, so that a leak early in a pull is told from it
                followed = residual * entry_s / (entry_s + OFF_LAG_S)
            s.charge_cooled = clamp(due + followed, cooled * share, cooled * larger(share, rich))
            s.core_c -= (followed - (s.charge_cooled - due)) * k.drop_k
            learn_rise(k, s, residual, entry_s)


def learn_rise(k: Constants, s: State, residual: float, entry_s: float) -> None:
    """Learn how far boost warms this car's charge, while all is calm."""
    if s.flow_evidence > CALM_NATS:
        return
    s.charge_learned_s += entry_s
    weight = entry_s / smaller(COUNTS_S + s.charge_learned_s, REMEMBERED_S)
    most = OUTLIER * sqrt(k.charge_noise_sq)
    rise = s.charge_rise - weight * clamp(residual, -most, most) * k.drop_k / k.rise_k
    s.charge_rise = clamp(rise, 1.0 - k.rise_within, 1.0 + k.rise_within)
    s.charge_doubt = LEAST_CHARGE_DOUBT + (1.0 - LEAST_CHARGE_DOUBT) * COUNTS_S / (
        COUNTS_S + s.charge_learned_s
    )


def not_believed(
    k: Constants, s: State, hotter: float, residual: float, due: float, entry_s: float
) -> bool:
    """Return whether a reading is none that missing spray explains, or follows such a one.

    It is believed once it has been right for a while.

    Args:
        k: Constants.
        s: State.
        hotter: How much hotter than an entry before, against what is expected.
        residual: How much colder than expected, less what is honest.
        due: How much of full cooling is due.
        entry_s: How long the entry is, s.

    All but the last are shares of full cooling.
    """
    deviation = sqrt(k.charge_noise_sq)
    at_once = (1.0 + k.drop_within) * (1.0 - kept_share(entry_s, k.charge_fast_s))
    hot = residual < -NO_SPRAY_SDS * deviation
    too_hot = residual < -(1.0 + 2.0 * k.drop_within) * due - NO_SPRAY_SDS * deviation
    if too_hot or hotter > at_once + JUMP_SDS * deviation:
        close_charge(s)
        s.charge_wrong = 1.0
        s.charge_sound_s = 0.0
    if s.charge_wrong == 0.0:
        return False
    s.charge_short_s = s.charge_short_s + entry_s if hot else 0.0
    s.charge_sound_s = 0.0 if hot else s.charge_sound_s + entry_s
    if s.charge_sound_s > BELIEVED_S:
        s.charge_wrong = 0.0
        s.charge_short_s = 0.0
    return True


def close_charge(s: State) -> None:
    """Begin anew: nothing is known of the spray's cooling."""
    if s.charge_evidence == 0.0:
        return
    for i in range(N_SIZES):
        s.account[CHARGE_ACCOUNTS + i] = 0.0
    s.charge_evidence = 0.0
    s.charge_short_s = 0.0


def charge_level(k: Constants, s: State) -> float:
    """Return what the charge's temperature alone asks for (0 to 2), and note it.

    Where flow or line speak too, it adds to theirs, and the shortfall goes by its own name. Where
    the line's pressure says with the flow that spray arrives, or no missing spray explains the
    reading, it is the sensor that is wrong; what it pulled for then is taken back. That is told
    while spray flows: a charge that runs hot without any is no news beside its absence.
    """
    asked = NO_ACTION
    if s.charge_wrong > 0.0:
        if s.level[COOLING_MISSING] == PULL:
            s.level[COOLING_MISSING] = WARN
            s.changed = 1.0
        if s.charge_short_s > TOLD_S and s.value[DELIVERED] > k.nil_ml_min:
            asked = WARN
    elif s.charge_evidence >= k.warn_nats and s.level[UNDER_DELIVERY] == NO_ACTION:
        line = k.line_column
        contradicted = line > 0 and s.usable[line] > 0.0 and s.line_wrong == 0.0
        asked = WARN if contradicted or s.charge_evidence < k.limit_nats else PULL
    s.asked[COOLING_MISSING] = asked
    return asked
