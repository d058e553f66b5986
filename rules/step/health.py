"""What each channel is worth now: healthy, absent, stale, not a number, implausible or stuck."""

from collections.abc import Sequence

from rules.channels import BOOST, DELIVERED, ENGINE_SPEED, NOT_SENT, TIME_BOUND_S
from rules.step.arithmetic import larger, smaller
from rules.step.constants import (
    CLOCK_DOUBT_FOR_S,
    HIGH,
    LATE_WINDOW_S,
    LIVELY_ML_MIN,
    LOGGER_STUCK_AFTER_S,
    LOW,
    MAPPED,
    MAX_AGE_S,
    MOST_PER_S,
    N_MAPPED,
    ONSET_KPA,
    PASS_LOW,
    STEP_AHEAD_S,
    STEP_BACK_S,
    STUCK_AFTER_S,
)
from rules.step.state import (
    AGE_S,
    CHANGED,
    CHANGES,
    CLOCK_DOUBT_S,
    CLOCK_PACE,
    CLOCK_S,
    EXPECTED_ML_MIN,
    FROZEN,
    HEALTH,
    HEALTHY,
    IMPLAUSIBLE,
    JUMPED,
    LATE,
    LOGGER_PAUSE_S,
    LOGGER_STILL_S,
    NOT_A_NUMBER,
    PAUSE_S,
    READING,
    REFUSED,
    REFUSED_COLUMN,
    STALE,
    STARTED,
    STILL_S,
    STUCK,
    TIME_S,
    UNHEALTHY,
    UNIT,
    UNUSABLE,
    USABLE,
    VALUE,
)
from rules.step.vector import Vector

INFINITE = float("inf")

# How long a living reading may stand still. A sensor read five times a second repeats itself in
# between, so a stand-still counts in multiples of the pauses seen lately; one that reads in coarse
# steps stays on a step for long, so the time grows with the step. Fitted to healthy drives of the
# simulated cars, 10 to 100 samples a second, steps of up to 1/32 of the range, readings held for
# 0.2 s; tried on the drives of python -m tests.bench healthy.
PAUSES = 3.5
PAUSE_WEIGHT = 0.1  # of the newest pause
LONGEST_PAUSE = 2.0  # that is learned from, in stand-still times
FINE_SHARE = 0.01
UNIT_FORGOTTEN = 1.01  # a change: the smallest step is that of the last hundred changes or so
TRUST = 3.0  # how much longer each change lets a coarse reading stand still
MOST_CHANGES = 100.0
OFF_BOOST = 4.0  # how much longer a logger may repeat itself where the engine only turns


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


def take_pace(s: Vector, found: float) -> None:
    """Take in how the source's clock was found to run (``channels.CLOCK_PACE``)."""
    pace = 1.0 if found == NOT_SENT else found
    if pace != pace:
        pace = 0.0  # not known
    if pace != s[CLOCK_PACE]:
        s[CLOCK_PACE] = pace
        s[CHANGED] = 1.0


def read_channels(
    k: Vector, columns: Sequence[int], s: Vector, x: Sequence[float], at: int, dt_s: float
) -> None:
    """Take in the readings of the sample at ``x[at:]`` and judge every mapped channel.

    A bad reading (not a number, out of its plausible range) is that, at once; the last good value
    stays usable until it is too old.
    """
    news = take_readings(k, columns, s, x, at, dt_s)
    if logger_changes_state(k, s, news, dt_s):
        take_readings(k, columns, s, x, at, 0.0)


def take_readings(
    k: Vector, columns: Sequence[int], s: Vector, x: Sequence[float], at: int, dt_s: float
) -> float:
    """Take in a sample's readings.

    Returns:
        -1 where none came, 0 where all that came are the values already known, 1 where one is new.
    """
    unhealthy = 0.0
    unusable = 0.0
    news = -1.0
    living = s[FROZEN] == 0.0
    for i in range(MAPPED, MAPPED + columns[N_MAPPED]):
        column = columns[i]
        value = x[at + column]
        # Nearly always: a new, plausible value ("not sent" and NaN compare false).
        if living and k[PASS_LOW + column] <= value <= k[HIGH + column]:
            if value != s[VALUE + column]:
                s[VALUE + column] = value
                news = 1.0
            elif news < 0.0:
                news = 0.0
            s[AGE_S + column] = 0.0
            if s[HEALTH + column]:
                s[READING + column] = HEALTHY
                s[HEALTH + column] = HEALTHY
                s[USABLE + column] = 1.0
                s[CHANGED] = 1.0
        else:
            told = judge_channel(k, s, column, value, dt_s)
            if told > news:
                news = told
            if s[HEALTH + column] != HEALTHY:
                unhealthy += 1.0
                if s[USABLE + column] == 0.0:
                    unusable += 1.0
    s[UNHEALTHY] = unhealthy
    s[UNUSABLE] = unusable
    return news


def judge_channel(k: Vector, s: Vector, column: int, value: float, dt_s: float) -> float:
    """Take in one reading, whatever it is, and judge its channel; return as ``take_readings``."""
    age_s = s[AGE_S + column] + dt_s
    news = -1.0
    if value != NOT_SENT:
        if value != value:
            s[READING + column] = NOT_A_NUMBER
        elif value < k[LOW + column] or value > k[HIGH + column]:
            s[READING + column] = IMPLAUSIBLE
            note_refused(s, column, value)
        elif has_jumped(k, s, column, value, age_s):
            s[READING + column] = JUMPED
        else:
            s[READING + column] = HEALTHY
            news = 0.0
            if value != s[VALUE + column]:
                news = 1.0
            if k[STUCK_AFTER_S + column] < INFINITE:
                note_stillness(k, s, column, value, age_s)
            s[VALUE + column] = value
            age_s = 0.0
    s[AGE_S + column] = age_s
    stale = age_s > k[MAX_AGE_S + column]
    stuck = s[FROZEN] > 0.0 or s[STILL_S + column] > may_stand_still_s(k, s, column)
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
    return news


def note_refused(s: Vector, column: int, value: float) -> None:
    """Keep an implausible reading, for whoever must be told why: of several the first channel's."""
    kept = int(s[REFUSED_COLUMN])
    if kept == 0 or column <= kept or s[READING + kept] != IMPLAUSIBLE:
        s[REFUSED_COLUMN] = float(column)
        s[REFUSED] = value


def has_jumped(k: Vector, s: Vector, column: int, value: float, age_s: float) -> bool:
    """Whether a reading is farther from the last good one than its channel can move in that time.

    The older the last good value, the farther the channel may have moved, so a lasting step is
    believed after a while (or the channel is stale by then).
    """
    change = value - s[VALUE + column]
    if change < 0.0:
        change = -change
    return change > k[MOST_PER_S + column] * age_s


def note_stillness(k: Vector, s: Vector, column: int, value: float, age_s: float) -> None:
    """Note how long a channel has stood still where it can't, and how finely it moves.

    It can't where plenty of spray is due, for the flow; under boost, for all others: in cruise and
    at idle the same reading for a minute is honest. A flow of exactly nil is no flow, not a stuck
    sensor: the debt judges it. ``age_s`` is the time since the last good reading; silence is no
    standing still, so a time in which the value went stale doesn't count.
    """
    if column == DELIVERED:
        due = s[EXPECTED_ML_MIN] > k[LIVELY_ML_MIN] and value != 0.0
    else:
        due = s[VALUE + BOOST] >= k[ONSET_KPA]
    seen_s = age_s if due and age_s <= k[MAX_AGE_S + column] else 0.0
    still_s = s[STILL_S + column] + seen_s
    change = value - s[VALUE + column]
    if change == 0.0:
        s[STILL_S + column] = still_s
        return
    if change < 0.0:
        change = -change
    unit = s[UNIT + column] * UNIT_FORGOTTEN
    s[UNIT + column] = change if unit == 0.0 or change < unit else unit
    s[CHANGES + column] = smaller(s[CHANGES + column] + 1.0, MOST_CHANGES)
    if seen_s > 0.0:
        longest_s = LONGEST_PAUSE * k[STUCK_AFTER_S + column]
        pause_s = smaller(still_s, longest_s)
        s[PAUSE_S + column] = s[PAUSE_S + column] + PAUSE_WEIGHT * (pause_s - s[PAUSE_S + column])
    s[STILL_S + column] = 0.0


def coarseness(s: Vector, column: int) -> float:
    """Return how much longer than a fine reading this one may stand still: 1 or more.

    One and the square of its smallest step lately, in hundredths of the reading: noise wanders out
    of a step in a time that grows with the step's square. Believed the more, the more changes have
    been seen (a reading that changed once and never again says nothing of its steps).
    """
    most = TRUST * (s[CHANGES + column] - 1.0)
    if most <= 0.0:
        return 1.0
    fine = FINE_SHARE * s[VALUE + column]
    unit = s[UNIT + column]
    squares = unit * unit
    if squares >= most * fine * fine:
        return 1.0 + most
    return 1.0 + squares / (fine * fine)


def may_stand_still_s(k: Vector, s: Vector, column: int) -> float:
    """Return how long a channel may honestly stand still, s; infinite where nobody asks."""
    still_s = k[STUCK_AFTER_S + column]
    if s[STILL_S + column] <= still_s:
        return still_s  # nearly always, and no need to know how much more it might be
    return larger(still_s, PAUSES * s[PAUSE_S + column]) * coarseness(s, column)


def logger_changes_state(k: Vector, s: Vector, news: float, dt_s: float) -> bool:
    """Judge whether anything at all still moves; return whether that has just become otherwise.

    A logger that hangs while its clock runs repeats every channel. Judged under boost, and with
    four times the patience wherever the engine turns, by the samples in which something came; how
    long is honest is judged as for a channel, with boost's own steps standing for all.
    """
    boosted = s[USABLE + BOOST] > 0.0 and s[VALUE + BOOST] >= k[ONSET_KPA]
    if news > 0.0:
        if boosted:
            pause_s = smaller(s[LOGGER_STILL_S] + dt_s, LONGEST_PAUSE * k[LOGGER_STUCK_AFTER_S])
            s[LOGGER_PAUSE_S] = s[LOGGER_PAUSE_S] + PAUSE_WEIGHT * (pause_s - s[LOGGER_PAUSE_S])
        s[LOGGER_STILL_S] = 0.0
        if s[FROZEN] == 0.0:
            return False
        s[FROZEN] = 0.0
        return True
    still_s = k[LOGGER_STUCK_AFTER_S]
    if not boosted:
        if s[USABLE + BOOST] * s[USABLE + ENGINE_SPEED] * s[VALUE + ENGINE_SPEED] <= 0.0:
            return False
        still_s = OFF_BOOST * still_s
    s[LOGGER_STILL_S] = s[LOGGER_STILL_S] + dt_s
    if news < 0.0 or s[LOGGER_STILL_S] <= still_s:
        return False
    honest_s = larger(still_s, PAUSES * s[LOGGER_PAUSE_S]) * coarseness(s, BOOST)
    if s[LOGGER_STILL_S] <= honest_s:
        return False
    s[FROZEN] = 1.0
    return True
