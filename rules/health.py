"""What each channel is worth now: healthy, absent, stale, not a number, implausible or stuck."""

from collections.abc import Sequence

from rules.channels import NOT_SENT, TIME_BOUND_S
from rules.constants import (
    CLOCK_DOUBT_FOR_S,
    HIGH,
    LATE_WINDOW_S,
    LOW,
    MAPPED,
    MAX_AGE_S,
    MOST_PER_S,
    MOVED_ENOUGH,
    N_MAPPED,
    PASS_LOW,
    REFERENCE,
    STEP_AHEAD_S,
    STEP_BACK_S,
    STUCK_AFTER_S,
)
from rules.state import (
    AGE_S,
    BEFORE,
    CHANGED,
    CLOCK_DOUBT_S,
    CLOCK_S,
    EXPECTED_ML_MIN,
    HEALTH,
    HEALTHY,
    IMPLAUSIBLE,
    JUMPED,
    LATE,
    MOVED,
    NOT_A_NUMBER,
    READING,
    STALE,
    STARTED,
    STILL_S,
    STUCK,
    TIME_S,
    UNHEALTHY,
    UNUSABLE,
    USABLE,
    VALUE,
)
from rules.vector import Vector


def advance_clock(k: Vector, s: Vector, time_s: float) -> float:
    """Return the time step this sample makes, s; negative where the sample is not to be used.

    A sample a little older than the newest is late: its values must not overwrite newer ones. One
    much older means the source's clock stepped back, one far ahead that it stepped ahead; the time
    that hides is unknown, so a fixed step is counted, and the clock is in doubt for a while. A time
    that is none (``channels.is_time``) is never used.
    """
    s[LATE] = 0.0
    if not -TIME_BOUND_S < time_s < TIME_BOUND_S:  # NaN too
        s[LATE] = 1.0
        return -1.0
    if s[STARTED] == 0.0:
        s[STARTED] = 1.0
        s[TIME_S] = time_s
        return 0.0
    dt_s = time_s - s[TIME_S]
    if dt_s < 0.0:
        if dt_s >= -k[LATE_WINDOW_S]:
            s[LATE] = 1.0
            return -1.0
        dt_s = k[STEP_BACK_S]
        s[CLOCK_DOUBT_S] = k[CLOCK_DOUBT_FOR_S]
    elif dt_s > k[STEP_AHEAD_S]:
        # Counted in full, one garbled time would run out every delay, and trip a healthy car.
        dt_s = k[STEP_BACK_S]
        s[CLOCK_DOUBT_S] = k[CLOCK_DOUBT_FOR_S]
    elif s[CLOCK_DOUBT_S] > 0.0:
        s[CLOCK_DOUBT_S] = s[CLOCK_DOUBT_S] - dt_s
    s[TIME_S] = time_s
    s[CLOCK_S] = s[CLOCK_S] + dt_s
    return dt_s


def read_channels(
    k: Vector, columns: Sequence[int], s: Vector, x: Sequence[float], at: int, dt_s: float
) -> None:
    """Take in the readings of the sample at ``x[at:]`` and judge every mapped channel.

    A bad reading (not a number, out of its plausible range) is that, at once; the last good value
    stays usable until it is too old.
    """
    unhealthy = 0.0
    unusable = 0.0
    for i in range(MAPPED, MAPPED + columns[N_MAPPED]):
        column = columns[i]
        value = x[at + column]
        # Nearly always: a new, plausible value ("not sent" and NaN compare false).
        if k[PASS_LOW + column] <= value <= k[HIGH + column]:
            s[VALUE + column] = value
            s[AGE_S + column] = 0.0
            if s[HEALTH + column]:
                s[READING + column] = HEALTHY
                s[HEALTH + column] = HEALTHY
                s[USABLE + column] = 1.0
                s[CHANGED] = 1.0
        else:
            judge_channel(k, columns, s, column, value, dt_s)
            if s[HEALTH + column] != HEALTHY:
                unhealthy += 1.0
                if s[USABLE + column] == 0.0:
                    unusable += 1.0
    s[UNHEALTHY] = unhealthy
    s[UNUSABLE] = unusable


def judge_channel(
    k: Vector, columns: Sequence[int], s: Vector, column: int, value: float, dt_s: float
) -> None:
    """Take in one reading, whatever it is, and judge its channel."""
    age_s = s[AGE_S + column] + dt_s
    new = False
    if value != NOT_SENT:
        if value != value:
            s[READING + column] = NOT_A_NUMBER
        elif value < k[LOW + column] or value > k[HIGH + column]:
            s[READING + column] = IMPLAUSIBLE
        elif has_jumped(k, s, column, value, age_s):
            s[READING + column] = JUMPED
        else:
            s[READING + column] = HEALTHY
            age_s = 0.0
            new = value != s[VALUE + column]
            s[VALUE + column] = value
    s[AGE_S + column] = age_s
    stale = age_s > k[MAX_AGE_S + column]
    stuck = columns[REFERENCE + column] >= 0 and is_stuck(k, columns, s, column, new, dt_s)
    s[USABLE + column] = 0.0 if stale or stuck else 1.0
    health = s[READING + column]
    if health == HEALTHY:
        if stale:
            health = STALE
        elif stuck:
            health = STUCK
    if health != s[HEALTH + column]:
        s[HEALTH + column] = health
        s[CHANGED] = 1.0


def has_jumped(k: Vector, s: Vector, column: int, value: float, age_s: float) -> bool:
    """Whether a reading is farther from the last good one than its channel can move in that time.

    The older the last good value, the farther the channel may have moved, so a lasting step is
    believed after a while (or the channel is stale by then).
    """
    change = value - s[VALUE + column]
    if change < 0.0:
        change = -change
    return change > k[MOST_PER_S + column] * age_s


def is_stuck(
    k: Vector, columns: Sequence[int], s: Vector, column: int, new: bool, dt_s: float
) -> bool:
    """Whether a reading has not changed at all while what must move it has moved by enough.

    What must move it is its reference: the expected flow for the flow sensor, engine speed for the
    others. A reading of exactly nil is no flow, not a stuck sensor: the debt judges it.
    """
    reference = columns[REFERENCE + column]
    now = s[EXPECTED_ML_MIN] if reference == 0 else s[VALUE + reference]
    if new:
        s[STILL_S + column] = 0.0
        s[MOVED + column] = 0.0
        s[BEFORE + column] = now
        return False
    still_s = s[STILL_S + column] + dt_s
    s[STILL_S + column] = still_s
    moved = now - s[BEFORE + column]
    if moved < 0.0:
        moved = -moved
    if moved > s[MOVED + column]:
        s[MOVED + column] = moved
    return (
        still_s > k[STUCK_AFTER_S + column]
        and s[MOVED + column] > k[MOVED_ENOUGH + column]
        and s[VALUE + column] != 0.0
    )
