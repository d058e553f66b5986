"""The bank of plausible cars: what the flow sensor of each car the rig allows for should read now.

A rig knows its transport delay and its lag only within tolerances. Each pair of a delay and a lag
from within them is a car that may be this one. A log has the command at its rows alone, so each car
is given the lowest command that it may have had in between: so no honest car is expected to read
more than its sensor reads.
"""

from rules.step.arithmetic import MIN_PER_S, kept_share, larger, smaller
from rules.step.constants import Constants
from rules.step.state import RING_SIZE, State


def remember_command(k: Constants, s: State) -> None:
    """Put the command of this row into the ring: the lowest and the highest of each slot's time."""
    low = s.commanded_ml_min - s.less_ml_min
    high = s.commanded_ml_min + s.more_ml_min
    last = int(s.ring_last)
    if s.ring_started == 0.0:
        s.ring_started = 1.0
    elif s.clock_s - s.ring_time_s[last] <= k.ring_spacing_s:
        if low < s.ring_low_ml_min[last]:
            s.ring_low_ml_min[last] = low
        if high > s.ring_high_ml_min[last]:
            s.ring_high_ml_min[last] = high
        return
    else:
        last += 1
        if last == RING_SIZE:
            last = 0
        s.ring_last = float(last)
    s.ring_time_s[last] = s.clock_s
    s.ring_low_ml_min[last] = low
    s.ring_high_ml_min[last] = high


def newest_before(s: State, start: int, then_s: float) -> int:
    """Return the place in the ring of the last command at or before ``then_s``.

    ``start`` is where that was at the row before; the oldest known stands in where none is so old.
    """
    last = int(s.ring_last)
    place = start
    while place != last:
        following = place + 1
        if following == RING_SIZE:
            following = 0
        if s.ring_time_s[following] > then_s:
            break
        place = following
    return place


def lowest_asked_ml_min(s: State, place: int, from_s: float) -> float:
    """Return the lowest command from ``from_s`` on up to the row after ``place``, mL/min."""
    low = s.ring_low_ml_min[place]
    if place != int(s.ring_last):
        following = place + 1
        if following == RING_SIZE:
            following = 0
        if s.ring_low_ml_min[following] < low:
            low = s.ring_low_ml_min[following]
    for _ in range(RING_SIZE - 2):
        if s.ring_time_s[place] <= from_s:
            break
        place -= 1
        if place < 0:
            place = RING_SIZE - 1
        if s.ring_low_ml_min[place] < low:
            low = s.ring_low_ml_min[place]
    return low


def shown_ml_min(k: Constants, s: State, a: int, asked: float, dt_s: float) -> float:
    """Return what the sensor is sure to show of a flow, mL/min, its lag left aside.

    Nothing of a flow that is not told from none, and nothing of the first of one that begins: a
    meter times its pulses, and after a rest it takes two of them to tell a flow.

    Args:
        k: Constants.
        s: State; what has passed at this delay is put into it.
        a: Which delay of the bank.
        asked: The flow asked for a delay ago.
        dt_s: Step, s.
    """
    if asked <= k.floor_ml_min:
        s.passed_ml[a] = 0.0
        return 0.0
    if s.passed_ml[a] >= k.starts_after_ml:
        return asked
    s.passed_ml[a] += asked * dt_s * MIN_PER_S
    shown_ml = s.passed_ml[a] - k.starts_after_ml
    return shown_ml / (dt_s * MIN_PER_S) if shown_ml > 0.0 else 0.0


def highest_asked_ml_min(k: Constants, s: State, dt_s: float) -> float:
    """Return the highest command that any plausible car may be following now, mL/min."""
    first, final = 0, k.n_delays - 1
    place = int(s.ring_read[first])
    last = int(s.ring_last)
    if place != last:
        place += 1
        if place == RING_SIZE:
            place = 0
    high = s.ring_high_ml_min[place]
    from_s = s.clock_s - dt_s - k.car_delay_s[final] - larger(k.refresh_s, s.holds_s)
    for _ in range(RING_SIZE - 2):
        if s.ring_time_s[place] <= from_s:
            break
        place -= 1
        if place < 0:
            place = RING_SIZE - 1
        if s.ring_high_ml_min[place] > high:
            high = s.ring_high_ml_min[place]
    return high


def note_idle(k: Constants, s: State, dt_s: float) -> None:
    """Note for how long nothing has been asked for or expected."""
    asked = s.commanded_ml_min + s.more_ml_min != 0.0
    if asked or s.bank_most_ml_min > 0.0 or s.expected_ml_min > 0.0:
        s.idle_s = 0.0
        return
    s.idle_s = s.idle_s + dt_s
    if s.idle_s > k.under_way_s:
        # All under way is nil: no matter which place is read, but that it be behind the two newest.
        place = s.ring_last - 2.0
        if place < 0.0:
            place += float(RING_SIZE)
        for a in range(k.n_delays):
            s.ring_read[a] = place
        s.ring_read_nominal = place


def is_idle(k: Constants, s: State) -> bool:
    """Whether no spray is asked for, none is expected, and no command is under way any more."""
    return s.idle_s > k.under_way_s and s.commanded_ml_min + s.more_ml_min == 0.0


def stay_idle(k: Constants, s: State) -> None:
    """Stand still: nothing is asked for, as in all the time that any car may still follow.

    Of the ring only the two newest places move along, so that the next command finds them as if
    each row had had its own.
    """
    last = int(s.ring_last)
    newest_s = s.ring_time_s[last]
    if s.clock_s - newest_s > k.ring_spacing_s:
        s.ring_time_s[last] = s.clock_s
        s.ring_time_s[last - 1 if last > 0 else RING_SIZE - 1] = newest_s


def begin_bank(k: Constants, s: State) -> None:
    """Let each car's flow begin at nil: how much time has passed is not known.

    Nor for how long anything has been asked for: each car's delay begins now. So none is expected
    to read more than it may.
    """
    for i in range(RING_SIZE):
        if i != int(s.ring_last):
            s.ring_low_ml_min[i] = 0.0
    for a in range(k.n_delays):
        s.passed_ml[a] = 0.0
    for q in range(k.n_cars):
        s.car_ml_min[q] = 0.0
    s.least_ml_min = 0.0


def move_bank(k: Constants, s: State, dt_s: float) -> None:
    """Move what each car's sensor should read, and the most that any may, on by ``dt_s`` (>= 0 s).

    Where the highest is nil and nothing is asked for, every car's reading is exactly nil.
    """
    remember_command(k, s)
    for a in range(k.n_delays):
        s.ring_read[a] = float(newest_before(s, int(s.ring_read[a]), s.clock_s - k.car_delay_s[a]))
    asked = highest_asked_ml_min(k, s, dt_s)
    lag_s = k.car_lag_s[0] if asked > s.bank_most_ml_min else k.run_down_lag_s
    most = asked + (s.bank_most_ml_min - asked) * kept_share(dt_s, lag_s)
    if most < k.nil_ml_min and asked < k.nil_ml_min:
        most = 0.0
        if s.bank_most_ml_min > 0.0:
            for q in range(k.n_cars):
                s.car_ml_min[q] = 0.0
    s.bank_most_ml_min = most
    if most == 0.0:
        s.least_ml_min = 0.0
        s.most_ml_min = k.floor_ml_min
        return
    for b in range(k.n_lags):
        s.kept[b] = kept_share(dt_s, k.car_lag_s[b])
    back_s = dt_s + larger(k.refresh_s, s.holds_s)
    least = most
    q = 0
    for a in range(k.n_delays):
        from_s = s.clock_s - back_s - k.car_delay_s[a]
        asked = shown_ml_min(k, s, a, lowest_asked_ml_min(s, int(s.ring_read[a]), from_s), dt_s)
        for b in range(k.n_lags):
            reading = asked + (s.car_ml_min[q] - asked) * s.kept[b]
            s.car_ml_min[q] = reading
            if reading < least:
                least = reading
            q += 1
    # By the gain learned, and never farther off than the rig allows.
    s.least_ml_min = least * larger(s.gain * (1.0 - s.doubt), k.lowest_gain)
    s.most_ml_min = most * smaller(s.gain * (1.0 + s.doubt), k.highest_gain) + k.floor_ml_min
