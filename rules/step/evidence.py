"""Evidence that spray is missing, in nats, and the debt it speaks of, in millilitres.

Evidence says by how much the readings favour "spray is missing" over the best healthy story that
any car of the bank can tell. For each car and each of a few sizes of shortfall it is a one-sided
cumulative sum of log-likelihood ratios (Page, Biometrika 41, 1954; its rate of false trips: Lorden,
Ann. Math. Statist. 42, 1971) of readings whose correlated noise is whitened. A car's is the
greatest over the sizes, the bank's the least over its cars, so that whichever car is the true one,
its own rate of false trips holds.
"""

from math import sqrt

from rules.step.arithmetic import INFINITE, MIN_PER_S, kept_share, larger, smaller
from rules.step.constants import Constants
from rules.step.learning import learn, note_hold
from rules.step.rig_doubts import doubt_rig
from rules.step.state import N_SIZES, UNDER_DELIVERY, State

MOST_RATIO = 0.49  # of the limit: so that no two bad readings act
UP_REMEMBERED_S = 0.3  # readings above the expected: how long they speak of noise
MUCH_UP = 2.5  # times the variance learned
FALL_SDS = 4.0  # standard deviations of the noise
FALLEN_S = 0.08  # after a fall faster than any plausible sensor's
FALLEN_RATIO = 0.1  # and what a reading adds until then
MOST_EVIDENCE = 1.25  # limits: more says nothing more, and would only outlast the fault
# The same for a car of the bank until all cars accuse: a reserve, so that no transient undoes it.
RESERVE = 4.0
AGREE = 1.05  # of the most that a car expects to the least: they agree, as where spray is steady
# The same ratio: where cars lie farther apart, a residual is mostly an error of timing, not noise.
FAR_APART = 1.25
CALM_NATS = 4.0  # more evidence than that, and nothing is learned
# Standard deviations that a surplus counts at most: coming down from farther up is no shortfall.
SURPLUS_KEPT = 2.0


def weigh(k: Constants, s: State, delivered_ml_min: float, dt_s: float) -> None:
    """Enter ``dt_s`` of delivered flow (usable, mL/min) into evidence, debt and missing share.

    A step longer than ``longest_step_s`` says nothing about the time in between and counts as that
    much only. Where no car expects anything that is told from none, evidence and debt stand still.
    """
    before_ml = s.debt_ml
    note_due(k, s)
    if s.bank_most_ml_min > k.floor_ml_min:
        step_s = smaller(dt_s, k.longest_step_s)
        note_hold(s, delivered_ml_min, step_s)
        if larger(k.refresh_s, s.holds_s) > 0.0:
            gather(k, s, delivered_ml_min, step_s)
        elif step_s > 0.0:
            note_fall(k, s, delivered_ml_min, step_s)
            for q in range(k.n_cars):
                s.entry_ml_min[q] = s.car_ml_min[q]
            judge_entry(k, s, delivered_ml_min, step_s)
    size_shortfall(k, s, delivered_ml_min, before_ml, dt_s)


def note_due(k: Constants, s: State) -> None:
    """Note since when this spell of spray has been due; none is under way while that is below nil.

    What little evidence outlasts a healthy spell says nothing of when a fault of the next began;
    where there is much of it, a fault goes on. Nor may it rule a car out: a meter shows an end
    sooner than an onset, the one speaks against the slow cars and the other against the quick, and
    both together against all.
    """
    if s.commanded_ml_min > k.floor_ml_min:
        if s.due_from_s < 0.0:
            s.due_from_s = s.clock_s
    elif s.bank_most_ml_min <= k.floor_ml_min and s.flow_evidence <= CALM_NATS:
        if s.due_from_s >= 0.0:
            for i in range(k.n_cars * N_SIZES):
                s.account[i] = smaller(s.account[i], MOST_RATIO * k.limit_nats)
        s.due_from_s = -1.0


def note_fall(k: Constants, s: State, delivered_ml_min: float, step_s: float) -> None:
    """Note when a reading falls faster than any plausible sensor follows a flow.

    A loose plug or a disturbed wire does that, a pump that stops never: for a while each reading
    then counts for little, so that a gap of a few rows acts on nothing.
    """
    before = s.read_before_ml_min
    slowest = before * kept_share(step_s, k.car_lag_s[0]) - k.floor_ml_min
    fell = delivered_ml_min < slowest - FALL_SDS * s.noise * before
    s.fell_s = 0.0 if fell else s.fell_s + step_s
    s.read_before_ml_min = delivered_ml_min


def gather(k: Constants, s: State, delivered_ml_min: float, step_s: float) -> None:
    """Add a row to the entry of a sensor that holds its value, and judge it once it is complete.

    Such a sensor says something new once in each of its refresh periods: an entry is as long.
    """
    before_s = s.entry_s
    now_s = before_s + step_s
    if now_s <= 0.0:
        return
    weight = step_s / now_s  # all of it in the first row: averages start anew
    s.entry_delivered_ml_min += weight * (delivered_ml_min - s.entry_delivered_ml_min)
    for q in range(k.n_cars):
        s.entry_ml_min[q] += weight * (s.car_ml_min[q] - s.entry_ml_min[q])
    s.entry_s = now_s
    if now_s >= larger(k.refresh_s, s.holds_s):
        judge_entry(k, s, s.entry_delivered_ml_min, now_s)
        s.entry_s = 0.0


def accuse(
    k: Constants,
    s: State,
    first: int,
    moved: float,
    off: float,
    variance: float,
    most_ratio: float,
    most: float,
) -> float:
    """Enter a whitened residual into one car's sums; return the greatest of them, nats.

    Each is the log-likelihood ratio of two normal distributions of one variance whose means lie as
    far apart as a shortfall of its size moves the residual.

    Args:
        k: Constants.
        s: State.
        first: Where the car's sums begin in ``account``.
        moved: How far a shortfall of 1 moves the whitened residual, >= 0.
        off: The whitened residual, less the lowest that is honest.
        variance: Of it, > 0.
        most_ratio: What it may add at most, nats.
        most: The most that a sum may be, nats.
    """
    accounts, sizes = s.account, k.size
    top = 0.0
    for i in range(N_SIZES):  # no calls in here: of all the code it is run most often
        shift = sizes[i] * moved
        ratio = -shift * (off + 0.5 * shift) / variance
        if ratio > most_ratio:
            ratio = most_ratio
        account = accounts[first + i] + ratio
        if account < 0.0:
            account = 0.0
        elif account > most:
            account = most
        accounts[first + i] = account
        if account > top:
            top = account
    return top


def judge_entry(k: Constants, s: State, delivered_ml_min: float, entry_s: float) -> None:
    """Weigh one entry's reading (mL/min, over ``entry_s`` > 0) against every car of the bank."""
    gain = s.gain
    kept = s.noise_lasts_s / (s.noise_lasts_s + entry_s)  # of the noise, from one entry to the next
    # What an honest reading may lack: by the gain learned, and never more than the rig allows.
    lacks = 1.0 - larger(gain * (1.0 - s.doubt), k.lowest_gain) / gain
    least_scale, rounding, entries = k.least_scale_ml_min, s.rounding_ml_min, s.entry_ml_min
    residuals, innovations, short_s = s.residual, s.innovation, s.car_short_s
    lowest = INFINITE
    highest = 0.0
    for q in range(k.n_cars):
        expected = gain * entries[q]
        if expected < lowest:
            lowest = expected
        if expected > highest:
            highest = expected
    agree = lowest >= least_scale and highest <= AGREE * lowest
    variance_now = s.up_sq if s.up_sq > MUCH_UP * s.noise_sq else s.noise_sq
    noise_sq = variance_now * (1.0 - kept * kept)
    white = 0.0
    floor_sq = s.floor_sq
    if lowest >= least_scale and highest <= FAR_APART * lowest:
        # Of a reading in coarse steps the floor is their rounding, whether it lasts or not.
        if s.rounding_ml_min == 0.0:
            floor_sq = s.floor_part * floor_sq
        white = white_share(noise_sq, floor_sq / (highest * highest), kept)
    fresh = (1.0 - kept) / (1.0 - white)
    # Of what is new: that of the noise that lasts, and of the noise that doesn't.
    noise_sq = noise_sq / (1.0 - white * white)
    floor_sq = floor_sq * (1.0 + kept * kept - 2.0 * white * kept) / (1.0 - white * white)
    most_surplus = SURPLUS_KEPT * sqrt(s.noise_sq)
    most_ratio = (FALLEN_RATIO if s.fell_s < FALLEN_S else MOST_RATIO) * k.limit_nats
    most = (MOST_EVIDENCE if s.evidence >= k.limit_nats else RESERVE) * k.limit_nats
    half_size = -0.5 * k.size[0]
    evidence = INFINITE
    car = 0
    for q in range(k.n_cars):
        expected = gain * entries[q]
        scale, share = expected, 1.0
        if expected <= least_scale:
            scale, share = least_scale, expected / least_scale
        residual = (delivered_ml_min - expected) / scale
        moved = share * fresh  # how far a shortfall of 1 moves the whitened residual
        new = residual - kept * residuals[q] + white * innovations[q]
        off = new + lacks * moved + rounding / scale * fresh
        residuals[q] = residual if residual < most_surplus else most_surplus
        innovations[q] = new if new < most_surplus else most_surplus
        top = 0.0
        # Else all its accounts are nil, and stay so: nearly always.
        if short_s[q] > 0.0 or off < half_size * moved:
            variance = noise_sq * share * share + floor_sq / (scale * scale)
            top = accuse(k, s, q * N_SIZES, moved, off, variance, most_ratio, most)
            if top > 0.0:
                s.car_debt_ml[q] += (expected - delivered_ml_min) * entry_s * MIN_PER_S
                short_s[q] += entry_s
            else:
                s.car_debt_ml[q] = 0.0
                short_s[q] = 0.0
        if top < evidence:
            evidence = top
            car = q
    expected = gain * entries[k.middle_car]
    residual = (delivered_ml_min - expected) / larger(expected, least_scale)
    if agree:
        note_up(s, residual, entry_s)
    s.flow_evidence = evidence
    s.debt_ml = larger(s.car_debt_ml[car], 0.0)
    s.debt_s = s.debt_ml / (k.full_ml_min * MIN_PER_S)
    # No longer than the rig's own sensor can have shown any of this spell.
    shown_s = s.clock_s - s.due_from_s - k.delay_s - k.lag_s
    s.short_s = smaller(short_s[car], larger(shown_s, 0.0))
    if agree and evidence <= CALM_NATS and s.surplus <= CALM_NATS:
        stated_sq = s.floor_sq / (highest * highest)
        learn(k, s, residual, stated_sq, entry_s)
        doubt_rig(k, s, stated_sq, entry_s)
    s.residual_2 = s.residual_1
    s.residual_1 = residual


def note_up(s: State, residual: float, entry_s: float) -> None:
    """Note how far readings lie above what is expected, of late.

    No missing spray makes a reading rise: what swings as far up as down is a sensor that has become
    noisy, sooner than its noise is learned.
    """
    up = larger(0.0, residual - s.doubt)  # so far up it may be the sensor's gain
    s.up_sq += entry_s / (entry_s + UP_REMEMBERED_S) * (2.0 * up * up - s.up_sq)


def white_share(noise_sq: float, floor_sq: float, kept: float) -> float:
    """Return which share of the last innovation whitens noise of two kinds, 0 to ``kept``.

    A part that lasts (its news ``noise_sq``, of which ``kept`` goes on to the next entry) and one
    that doesn't (``floor_sq``) add up to what an ARMA(1, 1) process is (Granger & Morris, J. R.
    Stat. Soc. A 139, 1976): the first-order moving average is the one that can be inverted.
    """
    across = kept * floor_sq
    if across <= 0.0:
        return 0.0
    alone = noise_sq + floor_sq * (1.0 + kept * kept)
    return 2.0 * across / (alone + sqrt(alone * alone - 4.0 * across * across))


def close_accounts(k: Constants, s: State) -> None:
    """Begin anew: nothing is missing of what is sprayed from now on."""
    for i in range(k.n_cars * N_SIZES):
        s.account[i] = 0.0
    for q in range(k.n_cars):
        s.car_debt_ml[q] = 0.0
        s.car_short_s[q] = 0.0
    s.flow_evidence = 0.0
    s.evidence = 0.0
    s.debt_ml = 0.0
    s.debt_s = 0.0
    s.short_s = 0.0


def owe(k: Constants, s: State, missing: float, evidence: float, judged_s: float) -> None:
    """Add what a witness other than the flow says is missing of what is commanded to the debt.

    It begins anew where the evidence is nil.

    Args:
        k: Constants.
        s: State.
        missing: Share of the commanded flow, below 0 where it is noise.
        evidence: Of that witness, nats.
        judged_s: Time judged, s.
    """
    s.missing_share = larger(missing, 0.0)
    if evidence > 0.0:
        s.debt_ml = larger(s.debt_ml + missing * s.commanded_ml_min * judged_s * MIN_PER_S, 0.0)
        s.short_s += judged_s
    else:
        s.debt_ml = 0.0
        s.short_s = 0.0
    s.debt_s = s.debt_ml / (k.full_ml_min * MIN_PER_S)


def keep_peak(s: State, before_ml: float) -> None:
    """Keep the debt's peak; ``before_ml`` is what the debt was before."""
    if s.debt_ml > 0.0:
        # The peak outlives its shortfall, so that whoever looks at changes alone still sees it.
        new = before_ml == 0.0 and s.level[UNDER_DELIVERY] == 0.0
        if new or s.debt_ml > s.peak_debt_ml:
            s.peak_debt_ml = s.debt_ml


def size_shortfall(
    k: Constants, s: State, delivered_ml_min: float, before_ml: float, dt_s: float
) -> None:
    """Smooth the share of the expected flow that is missing, and keep the debt's peak.

    ``before_ml`` is what the debt was before.
    """
    keep_peak(s, before_ml)
    expected = s.expected_ml_min
    short = expected - delivered_ml_min
    kept = kept_share(dt_s, k.missing_lag_s)
    smooth = short + (s.short_smooth_ml_min - short) * kept
    s.short_smooth_ml_min = smooth
    # What the sensor's own lag still hides of it is added: the sum of it and of how fast it moves.
    missing = smooth + k.lag_s / k.missing_lag_s * (short - smooth)
    if missing > 0.0 and expected > 2.0 * k.floor_ml_min:  # below that a ratio is all noise
        s.missing_share = smaller(missing / expected, 1.0)
    else:
        s.missing_share = 0.0
