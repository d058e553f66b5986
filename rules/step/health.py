"""What each channel is worth now: healthy, absent, stale, not a number, implausible or stuck."""

from collections.abc import Sequence

from rules.channels import (
    BOOST,
    DELIVERED,
    ENGINE_SPEED,
    LINE,
    NOT_SENT,
    TANK_SWITCH,
    TICK_BOUND_S,
)
from rules.step.arithmetic import INFINITE, larger, smaller
from rules.step.constants import Constants
from rules.step.state import HEALTHY, IMPLAUSIBLE, JUMPED, NOT_A_NUMBER, STALE, STUCK, State

# How long a living reading may stand still. A sensor read five times a second repeats itself in
# between, so a stand-still counts in multiples of the pauses seen lately; one that reads in coarse
# steps stays on a step for long, so the time grows with the step. Fitted to healthy drives of the
# simulated cars, 10 to 100 samples a second, steps of up to 1/32 of the range, readings held for
# 0.2 s; tried on the drives of python -m tests.bench healthy.
PAUSES = 3.5
PAUSE_WEIGHT = 0.1  # of the newest pause
PAUSE_KEPT = 0.99  # of the longest pause of a logger, at each news: it is that of some hundred news
LONGEST_PAUSE = 2.0  # that is learned from, in stand-still times
LONG_PAUSE = 0.25  # of a logger, in stand-still times: longer, and nothing lively moves
FINE_SHARE = 0.01
LEAST_BOOST_KPA = 20.0  # gauge: a boost below it moves no less
REGULATED = 0.7  # boost is held where it is: of other readings' movement
UNIT_FORGOTTEN = 1.01  # a change: the smallest step is that of the last hundred changes or so
TRUST = 3.0  # how much longer each change lets a coarse reading stand still
MOST_CHANGES = 100.0
OFF_BOOST = 4.0  # how much longer a logger may repeat itself where the engine only turns


def advance_clock(k: Constants, s: State, time_s: float) -> float:
    """Return the time step this sample makes, s; negative where the sample is not to be used.

    A sample a little older than the newest is late: its values must not overwrite newer ones. One
    much older means the source's clock stepped back, one far ahead that it stepped ahead; the time
    that hides is unknown, so a fixed step is counted, and the clock is in doubt for a while. A time
    that is none (``channels.is_time``) is never used.
    """
    s.late = 0.0
    if not -TICK_BOUND_S < time_s < TICK_BOUND_S:  # NaN too
        s.late = 1.0
        return -1.0
    if s.started == 0.0:
        s.started = 1.0
        s.time_s = time_s
        return 0.0
    dt_s = time_s - s.time_s
    if dt_s < 0.0:
        if dt_s >= -k.late_window_s:
            s.late = 1.0
            return -1.0
        dt_s = k.step_back_s
        s.clock_doubt_s = k.clock_doubt_for_s
    elif dt_s > k.step_ahead_s:
        # Counted in full, one garbled time would run out every delay, and trip a healthy car.
        dt_s = k.step_back_s
        s.clock_doubt_s = k.clock_doubt_for_s
    elif s.clock_doubt_s > 0.0:
        s.clock_doubt_s = s.clock_doubt_s - dt_s
    s.time_s = time_s
    s.clock_s = s.clock_s + dt_s
    return dt_s


def take_pace(s: State, found: float) -> None:
    """Take in how the source's clock was found to run (``channels.CLOCK_PACE``)."""
    pace = 1.0 if found == NOT_SENT else found
    if pace != pace:
        pace = 0.0  # not known
    if pace != s.clock_pace:
        s.clock_pace = pace
        s.changed = 1.0


def read_channels(k: Constants, s: State, x: Sequence[float], at: int, dt_s: float) -> None:
    """Take in the readings of the sample at ``x[at:]`` and judge every mapped channel.

    A bad reading (not a number, out of its plausible range) is that, at once; the last good value
    stays usable until it is too old.
    """
    news = take_readings(k, s, x, at, dt_s)
    if logger_changes_state(k, s, news, dt_s):
        take_readings(k, s, x, at, 0.0)


def take_readings(k: Constants, s: State, x: Sequence[float], at: int, dt_s: float) -> float:
    """Take in a sample's readings.

    Returns:
        -1 where none came, 0 where all that came are the values already known, 1 where one is new.
    """
    unhealthy = 0.0
    unusable = 0.0
    news = -1.0
    living = s.frozen == 0.0
    for i in range(k.n_mapped):
        column = k.mapped[i]
        value = x[at + column]
        # Nearly always: a new, plausible value ("not sent" and NaN compare false).
        if living and k.pass_low[column] <= value <= k.high[column]:
            if value != s.value[column]:
                s.value[column] = value
                news = 1.0
            elif news < 0.0:
                news = 0.0
            s.age_s[column] = 0.0
            if s.health[column]:
                s.reading[column] = HEALTHY
                s.health[column] = HEALTHY
                s.usable[column] = 1.0
                s.changed = 1.0
        else:
            told = judge_channel(k, s, column, value, dt_s)
            if told > news:
                news = told
            if s.health[column] != HEALTHY:
                unhealthy += 1.0
                if s.usable[column] == 0.0:
                    unusable += 1.0
    s.unhealthy = unhealthy
    s.unusable = unusable
    return news


def judge_channel(k: Constants, s: State, column: int, value: float, dt_s: float) -> float:
    """Take in one reading, whatever it is, and judge its channel; return as ``take_readings``."""
    age_s = s.age_s[column] + dt_s
    news = -1.0
    if value != NOT_SENT:
        if value != value:
            s.reading[column] = NOT_A_NUMBER
        elif value < k.low[column] or value > k.high[column] or is_no_switch(column, value):
            s.reading[column] = IMPLAUSIBLE
            note_refused(k, s, column, value)
        elif has_jumped(k, s, column, value, age_s):
            s.reading[column] = JUMPED
        else:
            s.reading[column] = HEALTHY
            news = 0.0
            if value != s.value[column]:
                news = 1.0
            if k.stuck_after_s[column] < INFINITE:
                note_stillness(k, s, column, value, age_s)
            s.value[column] = value
            age_s = 0.0
    s.age_s[column] = age_s
    stale = age_s > k.max_age_s[column]
    stuck = s.frozen > 0.0 or s.still_s[column] > may_stand_still_s(k, s, column)
    s.usable[column] = 0.0 if stale or stuck else 1.0
    health = s.reading[column]
    if health == HEALTHY:
        if stale:
            health = STALE
        elif stuck:
            health = STUCK
    if health != s.health[column]:
        s.health[column] = health
        s.changed = 1.0
    return news


def is_no_switch(column: int, value: float) -> bool:
    """Whether a switch's channel reads what no switch does."""
    return column == TANK_SWITCH and value != 0.0 and value != 1.0


def is_essential(k: Constants, column: int) -> bool:
    """Whether the monitor is blind without a channel."""
    found = False
    for i in range(k.n_essential):
        found = found or k.essential[i] == column
    return found


def note_refused(k: Constants, s: State, column: int, value: float) -> None:
    """Keep an implausible reading, for whoever must be told why.

    Of several the first channel's, those the monitor is blind without before all others.
    """
    kept = int(s.refused_column)
    if kept > 0 and kept != column and s.reading[kept] == IMPLAUSIBLE:
        if is_essential(k, kept) and not is_essential(k, column):
            return
        if column > kept and is_essential(k, kept) == is_essential(k, column):
            return
    s.refused_column = float(column)
    s.refused = value


def has_jumped(k: Constants, s: State, column: int, value: float, age_s: float) -> bool:
    """Whether a reading is farther from the last good one than its channel can move in that time.

    The older the last good value, the farther the channel may have moved, so a lasting step is
    believed after a while (or the channel is stale by then).
    """
    change = value - s.value[column]
    if change < 0.0:
        change = -change
    return change > k.most_per_s[column] * age_s


def note_stillness(k: Constants, s: State, column: int, value: float, age_s: float) -> None:
    """Note how long a channel has stood still where it can't, and how finely it moves.

    It can't where plenty of spray is due, for flow and line pressure (which a pump's strokes move);
    under boost, for all others: in cruise and at idle the same reading for a minute is honest. A
    flow of exactly nil is no flow, not a stuck sensor: the debt judges it. ``age_s`` is the time
    since the last good reading; silence is no standing still, so a time in which the value went
    stale doesn't count.
    """
    if column == DELIVERED:
        due = s.expected_ml_min > k.lively_ml_min and value != 0.0
    elif column == LINE:
        due = s.line_on_s > 0.0
    else:
        due = s.value[BOOST] >= k.onset_kpa
    seen_s = age_s if due and age_s <= k.max_age_s[column] else 0.0
    still_s = s.still_s[column] + seen_s
    change = value - s.value[column]
    if change == 0.0:
        s.still_s[column] = still_s
        return
    if change < 0.0:
        change = -change
    unit = s.unit[column] * UNIT_FORGOTTEN
    s.unit[column] = change if unit == 0.0 or change < unit else unit
    s.changes[column] = smaller(s.changes[column] + 1.0, MOST_CHANGES)
    if seen_s > 0.0:
        longest_s = LONGEST_PAUSE * k.stuck_after_s[column]
        pause_s = smaller(still_s, longest_s)
        s.pause_s[column] = s.pause_s[column] + PAUSE_WEIGHT * (pause_s - s.pause_s[column])
    s.still_s[column] = 0.0


def coarseness(s: State, column: int, reading: float) -> float:
    """Return how much longer than a fine reading this one may stand still: 1 or more.

    One and the square of its smallest step lately, in hundredths of the reading: noise wanders out
    of a step in a time that grows with the step's square. Believed the more, the more changes have
    been seen (a reading that changed once and never again says nothing of its steps).
    """
    most = TRUST * (s.changes[column] - 1.0)
    if most <= 0.0:
        return 1.0
    fine = FINE_SHARE * reading
    unit = s.unit[column]
    squares = unit * unit
    if squares >= most * fine * fine:
        return 1.0 + most
    return 1.0 + squares / (fine * fine)


def may_stand_still_s(k: Constants, s: State, column: int) -> float:
    """Return how long a channel may honestly stand still, s; infinite where nobody asks."""
    still_s = k.stuck_after_s[column]
    if s.still_s[column] <= still_s:
        return still_s  # nearly always, and no need to know how much more it might be
    reading = s.value[column]
    if column == BOOST:  # near ambient, a hundredth of its gauge value is nothing
        reading = larger(REGULATED * reading, LEAST_BOOST_KPA)
    return larger(still_s, PAUSES * s.pause_s[column]) * coarseness(s, column, reading)


def logger_changes_state(k: Constants, s: State, news: float, dt_s: float) -> bool:
    """Judge whether anything at all still moves; return whether that has just become otherwise.

    A logger that hangs while its clock runs repeats every channel. Judged under boost, and with
    four times the patience wherever the engine turns, by the samples in which something came. How
    long is honest is learned from the longest pause lately; only where nothing but coarse readings
    move, and pauses are long, do boost's steps (of its absolute pressure) say that it is more.
    """
    boosted = s.usable[BOOST] > 0.0 and s.value[BOOST] >= k.onset_kpa
    turns = s.usable[BOOST] * s.usable[ENGINE_SPEED] * s.value[ENGINE_SPEED] > 0.0
    if news > 0.0:
        if boosted or turns:
            pause_s = smaller(s.logger_still_s + dt_s, LONGEST_PAUSE * k.logger_stuck_after_s)
            s.logger_pause_s = larger(pause_s, PAUSE_KEPT * s.logger_pause_s)
        s.logger_still_s = 0.0
        if s.frozen == 0.0:
            return False
        s.frozen = 0.0
        return True
    still_s = k.logger_stuck_after_s
    if not boosted:
        if not turns:
            return False
        still_s = OFF_BOOST * still_s
    s.logger_still_s = s.logger_still_s + dt_s
    if news < 0.0 or s.logger_still_s <= still_s:
        return False
    honest_s = larger(still_s, PAUSES * s.logger_pause_s)
    if s.logger_pause_s > LONG_PAUSE * k.logger_stuck_after_s:
        honest_s = honest_s * coarseness(s, BOOST, k.ambient_kpa + s.value[BOOST])
    if s.logger_still_s <= honest_s:
        return False
    s.frozen = 1.0
    return True
