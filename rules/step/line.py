"""Evidence from the line's pressure, which moves before a flow sensor can show anything.

Pump, supply, a split line and air in it all lower the pressure behind the pump at once; a clog or a
closed valve raises it, as far as pump and regulator let it rise. Beside a flow sensor the line may
pull timing, never cut boost: the debt is the flow's. Where the flow, given time to follow, shows no
such shortfall, it is the pressure sensor that is wrong: its pull is taken back and it isn't
believed until it has read as it should for a while.

Without a flow sensor the line is the witness: the debt is what its pressure says is missing of what
is commanded, and nothing contradicts it.
"""

from math import sqrt

from rules.channels import BOOST, DELIVERED, LINE
from rules.step.arithmetic import INFINITE, NAN, clamp, kept_share, larger, smaller
from rules.step.constants import Constants
from rules.step.evidence import CALM_NATS, MOST_EVIDENCE, MOST_RATIO, accuse, keep_peak, owe
from rules.step.hydraulics import line_due_kpa, stalled_kpa
from rules.step.learning import (
    OUTLIER,
    REMEMBERED_S,
    RIG_COUNTS_S,
    lasts_s,
    line_doubt_after,
)
from rules.step.state import (
    HIGH_ACCOUNTS,
    LINE_ACCOUNTS,
    LINE_DOUBTED,
    N_SIZES,
    NO_ACTION,
    PULL,
    UNDER_DELIVERY,
    WARN,
    State,
)

LEAST_COMMAND = 0.4  # of full flow: with less the pressure hardly depends on the pump
FILLS_S = 0.15  # after the command rises past that
SHARE_LAG_S = 0.03  # over which the share that pressure speaks of is smoothed
COMPARED_LAG_S = 0.15
CONFIRMED = 0.5  # of what pressure says is missing must be missing of the flow
BELIEVED_AFTER_S = 10.0  # of reading as it should


def weigh_line(k: Constants, s: State, dt_s: float) -> None:
    """Enter ``dt_s`` of line pressure into its evidence; without a flow sensor, into the debt."""
    before_ml = s.debt_ml
    judged_s = move_line(k, s, dt_s)
    if judged_s > 0.0:
        judge_line(k, s, judged_s)
    if k.witness_column == DELIVERED:
        if judged_s > 0.0:
            doubt_line(k, s, judged_s)
        return
    owe(k, s, s.line_missing, s.line_evidence, judged_s)
    keep_peak(s, before_ml)


def move_line(k: Constants, s: State, dt_s: float) -> float:
    """Move what is due on by ``dt_s``; return how much of it is judged, s: 0 where none is.

    What is due falls as the sensor's lag lets it, and rises as slowly as a line that fills up; the
    most that may be due, the other way round. So a line that only takes its time is neither low nor
    high.
    """
    s.line_due_kpa = NAN
    step_s = smaller(dt_s, k.longest_step_s)
    boost_kpa = s.value[BOOST]
    full = s.full_now_ml_min
    if s.usable[LINE] == 0.0 or full <= 0.0 or s.commanded_ml_min < LEAST_COMMAND * full:
        close_line(s)
        return 0.0
    due_kpa = line_due_kpa(k, boost_kpa, s.commanded_ml_min + s.more_ml_min, full)
    most_kpa = due_kpa
    if s.less_ml_min + s.more_ml_min > 0.0:
        most_kpa = line_due_kpa(k, boost_kpa, s.commanded_ml_min - s.less_ml_min, full)
    if s.line_on_s == 0.0:
        rest_kpa = line_due_kpa(k, boost_kpa, 0.0, full)  # nothing flowed till now
        s.line_lagged_kpa = smaller(due_kpa, rest_kpa)
        s.line_most_kpa = larger(due_kpa, rest_kpa)
    quick = kept_share(dt_s, k.line_lag_s)
    slow = kept_share(dt_s, k.line_settles_lag_s)
    off_kpa = s.line_lagged_kpa - due_kpa
    s.line_lagged_kpa = due_kpa + off_kpa * (quick if off_kpa > 0.0 else slow)
    off_kpa = s.line_most_kpa - most_kpa
    s.line_most_kpa = most_kpa + (off_kpa * slow if off_kpa > 0.0 else 0.0)
    s.line_on_s += step_s
    if s.line_on_s < FILLS_S or step_s <= 0.0:
        return 0.0
    s.line_due_kpa = s.line_gain * s.line_lagged_kpa
    return step_s


def close_line(s: State) -> None:
    """Begin anew: nothing is known of the line."""
    if s.line_on_s == 0.0:
        return
    for i in range(N_SIZES):
        s.account[LINE_ACCOUNTS + i] = 0.0
        s.account[HIGH_ACCOUNTS + i] = 0.0
    s.line_on_s = 0.0
    s.line_evidence = 0.0
    s.line_high = 0.0
    s.line_missing = 0.0
    s.line_missing_slow = 0.0
    s.missing_slow = 0.0
    s.unconfirmed_s = 0.0


def judge_line(k: Constants, s: State, step_s: float) -> None:
    """Weigh one reading of the line's pressure, as too low and as too high."""
    residual = s.value[LINE] / s.line_due_kpa - 1.0
    kept = s.line_noise_lasts_s / (s.line_noise_lasts_s + step_s)
    fresh = 1.0 - kept
    gain = s.line_gain
    lacks = 1.0 - larger(gain * (1.0 - s.line_doubt), 1.0 - k.line_gain_within) / gain
    before = s.line_residual
    deviation = sqrt(s.line_noise_sq)
    s.line_residual = smaller(residual, 2.0 * deviation)
    off = residual - kept * before + lacks * fresh
    variance = s.line_noise_sq * (1.0 - kept * kept)
    most_ratio, most = MOST_RATIO * k.limit_nats, MOST_EVIDENCE * k.limit_nats
    # From there on accounts that are nil stay so.
    honest = -0.5 * k.size[0] * fresh if s.line_evidence == 0.0 else INFINITE
    low = 0.0
    if off < honest:
        low = accuse(k, s, LINE_ACCOUNTS, fresh, off, variance, most_ratio, most)
    most_kpa = larger(gain * s.line_most_kpa, s.line_due_kpa)
    above = s.value[LINE] / most_kpa - 1.0
    exceeds = smaller(gain * (1.0 + s.line_doubt), 1.0 + k.line_gain_within) / gain - 1.0
    off = kept * s.line_high_residual - above + exceeds * fresh
    s.line_high_residual = larger(above, -2.0 * deviation)
    high = 0.0
    if off < honest:
        high = accuse(k, s, HIGH_ACCOUNTS, fresh, off, variance, most_ratio, most)
    s.line_evidence = larger(low, high)
    s.line_high = 1.0 if high > low else 0.0
    if s.line_high > 0.0:
        s.line_due_kpa = most_kpa
    missing = line_missing_now(k, s)
    s.line_missing = missing + (s.line_missing - missing) * kept_share(step_s, SHARE_LAG_S)
    if s.line_evidence <= CALM_NATS and s.flow_evidence <= CALM_NATS and s.line_wrong == 0.0:
        learn_line(k, s, residual, before, step_s)


def line_missing_now(k: Constants, s: State) -> float:
    """Return which share of the flow the reading says is missing, below 0 where it is noise.

    Low: what passes the nozzles goes with the root of the pressure across them. High: the pump's
    curve says what still flows; where the regulator holds the pressure nothing need flow at all.
    """
    if s.line_high > 0.0:
        now_kpa = s.value[LINE] / s.line_gain
        due_kpa = s.line_due_kpa / s.line_gain
        top_kpa, held_kpa = k.shut_off_kpa, k.regulated_kpa
        if k.follows_command > 0.0:
            top_kpa = held_kpa = stalled_kpa(k, due_kpa, s.commanded_ml_min)
        if now_kpa >= held_kpa:
            return 1.0
        return smaller((now_kpa - due_kpa) / larger(top_kpa - due_kpa, 1.0), 1.0)
    back_kpa = s.value[BOOST] + k.check_valve_kpa
    left = (s.value[LINE] - back_kpa) / larger(s.line_due_kpa - back_kpa, 1.0)
    return 1.0 - sqrt(larger(left, 0.0))


def learn_line(k: Constants, s: State, residual: float, before: float, step_s: float) -> None:
    """Learn the line's level, its ripple and noise, and how long that lasts, while all is calm."""
    if s.line_step_s == 0.0:
        s.line_step_s = step_s
        s.line_covariance = s.line_noise_sq * s.line_noise_lasts_s / (s.line_noise_lasts_s + step_s)
    s.line_learned_s += step_s
    weight = step_s / smaller(RIG_COUNTS_S + s.line_learned_s, REMEMBERED_S)
    most = OUTLIER * sqrt(s.line_noise_sq)
    off = clamp(residual, -most, most)
    within = k.line_gain_within
    s.line_gain = clamp(s.line_gain * (1.0 + weight * off), 1.0 - within, 1.0 + within)
    s.line_doubt = line_doubt_after(k, s.line_learned_s)
    square = most * most
    s.line_covariance += weight * (clamp(residual * before, -square, square) - s.line_covariance)
    s.line_noise_sq = clamp(
        s.line_noise_sq + weight * (off * off - s.line_noise_sq),
        0.25 * k.line_noise_sq,
        16.0 * k.line_noise_sq,
    )
    s.line_step_s += weight * (step_s - s.line_step_s)
    s.line_noise_lasts_s = larger(
        lasts_s(s.line_covariance, s.line_noise_sq, s.line_step_s), k.line_correlation_s
    )


def doubt_line(k: Constants, s: State, step_s: float) -> None:
    """Doubt a pressure that pulled timing for a shortfall which the flow, given time, doesn't show.

    Both are smoothed alike, so that no noise of either decides. More flow than was asked for lowers
    the pressure too: there the line has split behind the sensor, and the pull stands.
    """
    kept = kept_share(step_s, COMPARED_LAG_S)
    s.line_missing_slow = s.line_missing + (s.line_missing_slow - s.line_missing) * kept
    s.missing_slow = s.missing_share + (s.missing_slow - s.missing_share) * kept
    if s.line_wrong > 0.0:
        s.line_sound_s = 0.0 if s.line_evidence > CALM_NATS else s.line_sound_s + step_s
        if s.line_sound_s > BELIEVED_AFTER_S:
            s.line_wrong = 0.0
            s.asked[LINE_DOUBTED] = NO_ACTION
        return
    # The ladder acts after this: a pull already in force is another finding's.
    joined = s.flow_evidence + s.line_evidence
    alone = joined >= k.limit_nats or s.unconfirmed_s > 0.0
    if not alone or s.flow_evidence >= k.warn_nats:
        s.unconfirmed_s = 0.0
        return
    if s.unconfirmed_s == 0.0:
        s.line_pulls = 1.0 if s.level[UNDER_DELIVERY] < PULL else 0.0
    s.unconfirmed_s += step_s
    shown = s.missing_slow >= larger(CONFIRMED * s.line_missing_slow, 0.5 * k.gain_within)
    others = larger(s.surplus, s.charge_evidence)  # a charge that isn't cooled bears the line out
    if s.unconfirmed_s > k.line_confirmed_s and not shown and others <= CALM_NATS:
        s.line_wrong = 1.0
        s.line_sound_s = 0.0
        s.unconfirmed_s = 0.0
        s.asked[LINE_DOUBTED] = WARN
        if s.line_pulls > 0.0 and s.level[UNDER_DELIVERY] == PULL:
            s.level[UNDER_DELIVERY] = NO_ACTION
            s.held_missing = 0.0
            s.changed = 1.0
