"""What the flow sensor should read now: the command, one transport delay ago, through a lag."""

from rules.step.arithmetic import kept_share
from rules.step.constants import Constants
from rules.step.state import RING_SIZE, State


def delayed_flow_ml_min(k: Constants, s: State) -> float:
    """Return the flow commanded one transport delay ago, mL/min.

    Commands are kept in a ring, no closer than 1/200 of the delay, and interpolated. Before the
    ring reaches back that far, the oldest known command stands in.
    """
    now_s = s.clock_s
    commanded = s.commanded_ml_min
    if s.ring_started == 0.0:
        s.ring_started = 1.0
        s.ring_time_s[0] = now_s
        s.ring_ml_min[0] = commanded
        return commanded
    last = int(s.ring_last)
    if now_s - s.ring_time_s[last] > k.ring_spacing_s:
        last += 1
        if last == RING_SIZE:
            last = 0
        s.ring_time_s[last] = now_s
        s.ring_ml_min[last] = commanded
        s.ring_last = float(last)
    then_s = now_s - k.delay_s
    read = int(s.ring_read)
    while read != last:
        following = read + 1
        if following == RING_SIZE:
            following = 0
        if s.ring_time_s[following] > then_s:
            break
        read = following
    s.ring_read = float(read)
    before_s = s.ring_time_s[read]
    if then_s <= before_s:
        return s.ring_ml_min[read]
    if read == last:
        after_s = now_s
        after = commanded
    else:
        following = read + 1
        if following == RING_SIZE:
            following = 0
        after_s = s.ring_time_s[following]
        after = s.ring_ml_min[following]
    if after_s <= before_s:
        return after
    share = (then_s - before_s) / (after_s - before_s)
    return s.ring_ml_min[read] + share * (after - s.ring_ml_min[read])


def expect(k: Constants, s: State, dt_s: float) -> None:
    """Move the expected reading, and how fast it moves, on by ``dt_s`` (>= 0 s)."""
    delayed = delayed_flow_ml_min(k, s)
    if dt_s <= 0.0:
        s.delayed_ml_min = delayed
        s.commanded_before_ml_min = s.commanded_ml_min
        return
    kept = kept_share(dt_s, k.lag_s)
    # What the quickest sensor would read: the same lag, without the delay.
    undelayed = 0.5 * (s.commanded_ml_min + s.commanded_before_ml_min)
    s.commanded_before_ml_min = s.commanded_ml_min
    s.undelayed_ml_min = undelayed + (s.undelayed_ml_min - undelayed) * kept
    middle = 0.5 * (delayed + s.delayed_ml_min)
    s.delayed_ml_min = delayed
    before = s.expected_ml_min
    expected = middle + (before - middle) * kept
    s.expected_ml_min = expected
    rate = (expected - before) / dt_s
    s.rate_ml_min_s = rate if rate >= 0.0 else -rate
