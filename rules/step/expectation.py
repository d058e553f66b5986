"""What the flow sensor should read now: the command, one transport delay ago, through a lag."""

from rules.step.arithmetic import kept_share
from rules.step.constants import DELAY_S, LAG_S, RING_SPACING_S
from rules.step.state import (
    CLOCK_S,
    COMMANDED_BEFORE,
    COMMANDED_ML_MIN,
    DELAYED_ML_MIN,
    EXPECTED_ML_MIN,
    RATE_ML_MIN_S,
    RING_FLOW,
    RING_LAST,
    RING_READ,
    RING_SIZE,
    RING_STARTED,
    RING_TIME,
    UNDELAYED_ML_MIN,
)
from rules.step.vector import Vector


def delayed_flow_ml_min(k: Vector, s: Vector) -> float:
    """Return the flow commanded one transport delay ago, mL/min.

    Commands are kept in a ring, no closer than 1/200 of the delay, and interpolated. Before the
    ring reaches back that far, the oldest known command stands in.
    """
    now_s = s[CLOCK_S]
    commanded = s[COMMANDED_ML_MIN]
    if s[RING_STARTED] == 0.0:
        s[RING_STARTED] = 1.0
        s[RING_TIME] = now_s
        s[RING_FLOW] = commanded
        return commanded
    last = int(s[RING_LAST])
    if now_s - s[RING_TIME + last] > k[RING_SPACING_S]:
        last += 1
        if last == RING_SIZE:
            last = 0
        s[RING_TIME + last] = now_s
        s[RING_FLOW + last] = commanded
        s[RING_LAST] = float(last)
    then_s = now_s - k[DELAY_S]
    read = int(s[RING_READ])
    while read != last:
        following = read + 1
        if following == RING_SIZE:
            following = 0
        if s[RING_TIME + following] > then_s:
            break
        read = following
    s[RING_READ] = float(read)
    before_s = s[RING_TIME + read]
    if then_s <= before_s:
        return s[RING_FLOW + read]
    if read == last:
        after_s = now_s
        after = commanded
    else:
        following = read + 1
        if following == RING_SIZE:
            following = 0
        after_s = s[RING_TIME + following]
        after = s[RING_FLOW + following]
    if after_s <= before_s:
        return after
    share = (then_s - before_s) / (after_s - before_s)
    return s[RING_FLOW + read] + share * (after - s[RING_FLOW + read])


def expect(k: Vector, s: Vector, dt_s: float) -> None:
    """Move the expected reading, and how fast it moves, on by ``dt_s`` (>= 0 s)."""
    delayed = delayed_flow_ml_min(k, s)
    if dt_s <= 0.0:
        s[DELAYED_ML_MIN] = delayed
        s[COMMANDED_BEFORE] = s[COMMANDED_ML_MIN]
        return
    kept = kept_share(dt_s, k[LAG_S])
    # What the quickest sensor would read: the same lag, without the delay.
    undelayed = 0.5 * (s[COMMANDED_ML_MIN] + s[COMMANDED_BEFORE])
    s[COMMANDED_BEFORE] = s[COMMANDED_ML_MIN]
    s[UNDELAYED_ML_MIN] = undelayed + (s[UNDELAYED_ML_MIN] - undelayed) * kept
    middle = 0.5 * (delayed + s[DELAYED_ML_MIN])
    s[DELAYED_ML_MIN] = delayed
    before = s[EXPECTED_ML_MIN]
    expected = middle + (before - middle) * kept
    s[EXPECTED_ML_MIN] = expected
    rate = (expected - before) / dt_s
    s[RATE_ML_MIN_S] = rate if rate >= 0.0 else -rate
