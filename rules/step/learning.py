"""What is learned of a healthy car: gain, noise and how long it lasts, a sensor's holds and steps.

All of it within what the rig allows, so that no slow fade is ever learned as normal: the noise
within bounds, the gain within its tolerance, both from entries alone in which every plausible car
expects the same and nothing speaks for a shortfall.
"""

from math import sqrt

from rules.step.arithmetic import clamp, larger, smaller
from rules.step.constants import Constants
from rules.step.state import EARLY_PARTS, FELL, LATE_PARTS, NO_DOUBT, State

RIG_COUNTS_S = 10.0  # what the rig says counts as much as so long of healthy spraying
REMEMBERED_S = 30.0  # of healthy spraying: what was learned longer ago is forgotten
MEAN_REMEMBERED_S = 5.0
DOUBTED_S = 10.0  # of healthy spraying until half the doubt of the gain is gone
OUTLIER = 3.0  # standard deviations; what lies farther out counts as that far
LONGEST_CORRELATION_S = 0.25
MOST_KEPT = 0.97
# The shortest stand-still and the smallest step grow by 5 % a change: a dozen are remembered.
FORGOTTEN = 1.05
NOT_A_STEP = 1.5  # smallest steps: a smaller change is a coarse reading's
LONGEST_HOLD_S = 0.5
PART_S = 2.5
# A real pump's healthy flow moved by up to 1.4 % from the early parts to the late ones (SKAB).
LEAST_FALL = 0.02
PARTS_SDS = 6.0  # standard deviations of what the parts' own scatter makes of it
LEAST_LINE_DOUBT = 0.4  # of the rig's tolerance of the line's pressure: never learned away


def forget(k: Constants, s: State) -> None:
    """Know no more of this car than its rig says."""
    s.gain = 1.0
    s.doubt = k.gain_within
    s.noise = sqrt(k.noise_sq)
    s.noise_sq = k.noise_sq
    s.floor_sq = k.floor_sq
    s.rounding_ml_min = 0.0
    s.noise_lasts_s = k.correlation_s
    s.floor_part = 1.0
    s.covariance_2 = 0.0
    s.covariance = 0.0
    s.mean_residual = 0.0
    s.entry_usual_s = 0.0
    s.learned_s = 0.0
    s.line_gain = 1.0
    s.line_doubt = k.line_gain_within
    s.line_noise_sq = k.line_noise_sq
    s.line_noise_lasts_s = k.line_correlation_s
    s.line_covariance = 0.0
    s.line_step_s = 0.0
    s.line_learned_s = 0.0
    s.charge_off = 0.0
    s.charge_rise = 1.0
    s.charge_doubt = 1.0
    s.charge_learned_s = 0.0
    s.holds_s = 0.0
    s.flow_step_ml_min = 0.0
    s.shortest_rows = 0.0
    s.rig_doubt = NO_DOUBT
    s.part_s = 0.0
    s.fallen = 0.0
    for i in range(EARLY_PARTS + LATE_PARTS):
        s.part_gains[i] = 0.0


def learn(k: Constants, s: State, residual: float, floor_sq: float, entry_s: float) -> None:
    """Learn from one entry of plenty of steady spray.

    Args:
        k: Constants.
        s: State.
        residual: What this entry's reading was off, as a share of the expected flow.
        floor_sq: Variance that the reading has without flow, as a share of that flow, squared.
        entry_s: How long the entry is, s, > 0.
    """
    if s.entry_usual_s == 0.0:
        s.entry_usual_s = entry_s
        kept = s.noise_lasts_s / (s.noise_lasts_s + entry_s)
        s.covariance = s.noise_sq * kept
        s.covariance_2 = s.covariance * kept
    s.learned_s += entry_s
    weight = entry_s / smaller(RIG_COUNTS_S + s.learned_s, REMEMBERED_S)
    most = OUTLIER * (s.noise + sqrt(floor_sq))
    reads = clamp(residual, -most, most)
    note_part(k, s, s.gain * (1.0 + reads), entry_s)
    s.gain = clamp(s.gain * (1.0 + weight * reads), k.lowest_gain, k.highest_gain)
    s.doubt = doubt_after(k, s.learned_s)
    to_mean = entry_s / MEAN_REMEMBERED_S
    now = residual - s.mean_residual
    then = s.residual_1 - s.mean_residual
    earlier = s.residual_2 - s.mean_residual
    off = clamp(now, -most, most)
    s.mean_residual += to_mean * off
    square = most * most
    s.covariance += weight * (clamp(now * then, -square, square) - s.covariance)
    s.covariance_2 += weight * (clamp(now * earlier, -square, square) - s.covariance_2)
    floor_sq = learn_floor(s, floor_sq)
    s.noise_sq = clamp(
        s.noise_sq + weight * (off * off - floor_sq - s.noise_sq), k.least_noise_sq, k.most_noise_sq
    )
    s.entry_usual_s += weight * (entry_s - s.entry_usual_s)
    s.noise = sqrt(s.noise_sq)
    s.noise_lasts_s = lasts_s(s.covariance, s.noise_sq, s.entry_usual_s)


def note_part(k: Constants, s: State, gain: float, entry_s: float) -> None:
    """Learn whether the flow has fallen a little, and stays so: late parts against those before.

    Less than evidence looks for: a nozzle that begins to clog, a pump that fades. While that is
    told the early ones stay as they are, so that a loss never becomes usual. The rig's doubt
    counts, since it may be off at one flow and right at another; a coarse or held reading is more
    so, and nothing is told of it.

    Args:
        k: Constants.
        s: State.
        gain: Flow reading to the rig's, of an entry.
        entry_s: How long that is, s, > 0.
    """
    s.part_s += entry_s
    s.part_gain += entry_s / s.part_s * (gain - s.part_gain)
    if s.part_s < PART_S:
        return
    s.part_s = 0.0
    for i in range(EARLY_PARTS + LATE_PARTS - 1):
        if i >= EARLY_PARTS or s.rig_doubt != FELL:
            s.part_gains[i] = s.part_gains[i + 1]
    s.part_gains[EARLY_PARTS + LATE_PARTS - 1] = s.part_gain
    early = late = 0.0
    for i in range(EARLY_PARTS):
        early += s.part_gains[i] / EARLY_PARTS
    for i in range(EARLY_PARTS, EARLY_PARTS + LATE_PARTS):
        late += s.part_gains[i] / LATE_PARTS
    squares = 0.0
    for i in range(EARLY_PARTS + LATE_PARTS):
        off = s.part_gains[i] - (early if i < EARLY_PARTS else late)
        squares += off * off
    variance = squares / (EARLY_PARTS + LATE_PARTS - 2) * (1.0 / EARLY_PARTS + 1.0 / LATE_PARTS)
    fall = early - late if s.part_gains[0] > 0.0 else 0.0
    much = fall > larger(LEAST_FALL, k.least_doubt) * early
    clear = fall * fall > PARTS_SDS * PARTS_SDS * variance
    fine = s.rounding_ml_min == 0.0 and larger(k.refresh_s, s.holds_s) == 0.0
    s.fallen = 1.0 if much and clear and fine else 0.0


def learn_floor(s: State, floor_sq: float) -> float:
    """Learn how much there is of the part of the noise that doesn't last; return its variance.

    Of noise that lasts, each entry keeps the same share of the one before: so what every other
    entry has in common says how much all of it is, and the rest doesn't last. A part that the rig
    states and this sensor hasn't got would make what lasts seem to last for ever.

    Args:
        s: State.
        floor_sq: What the rig says of it, as a share of this flow, squared.
    """
    part = s.floor_part
    if s.covariance > 0.0 and floor_sq > 0.0:
        part = 0.0
        if s.covariance_2 > 0.0:
            lasts_sq = s.covariance * s.covariance / s.covariance_2
            part = clamp(s.floor_part + (s.noise_sq - lasts_sq) / floor_sq, 0.0, 1.0)
    s.noise_sq += (s.floor_part - part) * floor_sq
    s.floor_part = part
    return s.floor_part * floor_sq


def doubt_after(k: Constants, learned_s: float) -> float:
    """Return the share by which the flow's gain may be off after so much healthy spraying, s."""
    return k.least_doubt + (k.gain_within - k.least_doubt) * DOUBTED_S / (DOUBTED_S + learned_s)


def line_doubt_after(k: Constants, learned_s: float) -> float:
    """Return the same of the line's pressure."""
    within = k.line_gain_within
    return LEAST_LINE_DOUBT * within + (1.0 - LEAST_LINE_DOUBT) * within * DOUBTED_S / (
        DOUBTED_S + learned_s
    )


def lasts_s(covariance: float, variance: float, apart_s: float) -> float:
    """Return the time in which noise's correlation falls to half, s.

    Args:
        covariance: Of two values in a row.
        variance: Of one, > 0.
        apart_s: How far apart they are, s.
    """
    kept = clamp(covariance / variance, 0.0, MOST_KEPT)
    return smaller(apart_s * kept / (1.0 - kept), LONGEST_CORRELATION_S)


def note_hold(s: State, delivered_ml_min: float, dt_s: float) -> None:
    """Learn how long the flow sensor holds a reading until it gives a new one.

    The shortest stand-still lately. A coarse sensor stands still for long too, but then it moves by
    its smallest step; a held one by any amount. Called while some car expects a flow.
    """
    s.held_s += dt_s
    s.held_rows += 1.0
    change = delivered_ml_min - s.held_ml_min
    if change < 0.0:
        change = -change
    if change == 0.0:
        return
    if s.held_ml_min > 0.0:
        step = s.flow_step_ml_min * FORGOTTEN
        s.flow_step_ml_min = change if step == 0.0 or change < step else step
    if s.held_ml_min > 0.0 and (s.held_rows <= 1.0 or change > NOT_A_STEP * s.flow_step_ml_min):
        if s.held_rows <= s.shortest_rows or s.shortest_rows == 0.0:
            s.shortest_rows = s.held_rows
            s.holds_s = smaller(s.held_s, LONGEST_HOLD_S) if s.held_rows > 1.0 else 0.0
        else:
            s.shortest_rows *= FORGOTTEN
            s.holds_s *= FORGOTTEN
    s.held_ml_min = delivered_ml_min
    s.held_s = 0.0
    s.held_rows = 0.0
