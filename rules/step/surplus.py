"""Evidence of the other sign: more flows than any plausible car was asked for, and how much.

A line that has split behind the sensor, a valve that hangs, a tank that siphons into the manifold:
spray nobody asked for is told by its volume, since an engine that stands fills up with it.
"""

from rules.step.arithmetic import MIN_PER_S, larger, smaller
from rules.step.constants import Constants
from rules.step.evidence import MOST_EVIDENCE, MOST_RATIO, accuse
from rules.step.state import (
    N_SIZES,
    NO_ACTION,
    OVER_DELIVERY,
    SURPLUS_ACCOUNTS,
    UNASKED_FLOW,
    WARN,
    State,
)


def weigh_surplus(k: Constants, s: State, delivered_ml_min: float, dt_s: float) -> None:
    """Enter ``dt_s`` of delivered flow (usable, mL/min) into the surplus and its volume.

    As ``evidence.weigh`` does with a shortfall, but for the one car that may read most of all, row
    by row (what a sensor holds is never more than that car's highest), and as shares of full flow,
    since nothing may have been asked for.
    """
    most = s.most_ml_min
    step_s = smaller(dt_s, k.longest_step_s)
    if step_s <= 0.0:
        return
    if s.surplus == 0.0 and delivered_ml_min <= most:
        s.surplus_residual = 0.0
        return
    kept = s.noise_lasts_s / (s.noise_lasts_s + step_s)
    residual = (delivered_ml_min - most) / k.full_ml_min
    off = kept * s.surplus_residual - residual
    s.surplus_residual = larger(residual, 0.0)  # what rises from below is no surplus yet
    share = most / k.full_ml_min
    floor_sq = s.floor_sq * (1.0 + kept * kept) / (k.full_ml_min * k.full_ml_min)
    variance = s.noise_sq * (1.0 - kept * kept) * share * share + floor_sq
    most_ratio, most = MOST_RATIO * k.limit_nats, MOST_EVIDENCE * k.limit_nats
    s.surplus = accuse(k, s, SURPLUS_ACCOUNTS, 1.0 - kept, off, variance, most_ratio, most)
    if s.surplus > 0.0:
        s.excess_ml = larger(0.0, s.excess_ml + residual * k.full_ml_min * step_s * MIN_PER_S)
    else:
        close_surplus(s)


def close_surplus(s: State) -> None:
    """Begin anew: no surplus is known of."""
    for i in range(N_SIZES):
        s.account[SURPLUS_ACCOUNTS + i] = 0.0
    s.surplus = 0.0
    s.excess_ml = 0.0
    s.asked[OVER_DELIVERY] = NO_ACTION
    s.asked[UNASKED_FLOW] = NO_ACTION


def surplus_level(k: Constants, s: State) -> float:
    """Return what a surplus asks for (0 to 3); noted as over-delivery, or as unasked flow."""
    over = NO_ACTION
    unasked = NO_ACTION
    nothing_asked = s.bank_most_ml_min <= k.floor_ml_min
    if s.asked[UNASKED_FLOW] > NO_ACTION and not nothing_asked:
        close_surplus(s)  # what came unasked is no excess over what is asked now
    if s.surplus >= k.limit_nats:
        if nothing_asked:
            unasked = WARN
        elif s.excess_ml >= k.over_ml:
            over = k.over_action
    s.asked[OVER_DELIVERY] = over
    s.asked[UNASKED_FLOW] = unasked
    return larger(over, unasked)
