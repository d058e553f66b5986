"""What the flow sensor should read by the rig's own figures: the command, delayed and lagged."""

from rules.step.arithmetic import kept_share
from rules.step.bank import (
    begin_bank,
    is_idle,
    move_bank,
    newest_before,
    note_idle,
    stay_idle,
)
from rules.step.constants import Constants
from rules.step.state import RING_SIZE, State

NOTHING_ML_MIN = 1e-20  # so little changes no bit of any flow that it is added to


def delayed_flow_ml_min(k: Constants, s: State) -> float:
    """Return the flow commanded one transport delay ago, mL/min, interpolated between rows.

    Before the ring reaches back that far, the oldest known command stands in.
    """
    last = int(s.ring_last)
    then_s = s.clock_s - k.delay_s
    read = newest_before(s, int(s.ring_read_nominal), then_s)
    s.ring_read_nominal = float(read)
    before_s = s.ring_time_s[read]
    before = s.ring_low_ml_min[read]
    if then_s <= before_s:
        return before
    if read == last:
        after_s = s.clock_s
        after = s.commanded_ml_min
    else:
        following = read + 1
        if following == RING_SIZE:
            following = 0
        after_s = s.ring_time_s[following]
        after = s.ring_low_ml_min[following]
    if after_s <= before_s:
        return after
    return before + (then_s - before_s) / (after_s - before_s) * (after - before)


def expect(k: Constants, s: State, dt_s: float) -> None:
    """Move the expected reading on by ``dt_s`` (>= 0 s)."""
    delayed = delayed_flow_ml_min(k, s)
    if dt_s > 0.0:
        middle = 0.5 * (delayed + s.delayed_ml_min)
        s.expected_ml_min = middle + (s.expected_ml_min - middle) * kept_share(dt_s, k.lag_s)
        if middle == 0.0 and s.expected_ml_min < NOTHING_ML_MIN:
            s.expected_ml_min = 0.0
    s.delayed_ml_min = delayed


def expect_of_all(k: Constants, s: State, dt_s: float) -> None:
    """Move what is expected of every plausible car, and by the rig's own figures, on by ``dt_s``.

    While idle nothing changes, and nothing is worked out.
    """
    if is_idle(k, s):
        stay_idle(k, s)
        return
    move_bank(k, s, dt_s)
    if s.clock_doubt_s == k.clock_doubt_for_s:
        begin_bank(k, s)
    expect(k, s, dt_s)
    note_idle(k, s, dt_s)
