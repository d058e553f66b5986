"""In what the rig seems wrong about this car: told before it costs a false pull or a late one.

Widened for safety's sake where that is plain (a sensor that holds its readings is judged once in
each hold, noise is learned up to a bound); what lies outside the bank of plausible cars can only be
told.
"""

from rules.step.arithmetic import INFINITE
from rules.step.constants import Constants
from rules.step.state import (
    EARLY,
    HOLDS,
    LATE,
    NO_ACTION,
    NO_DOUBT,
    NOISY,
    QUICK,
    READS_HIGH,
    READS_LOW,
    RIG_DOUBTED,
    SLOW,
    WARN,
    State,
)

KNOWN_S = (
    3.0  # of healthy spraying, or of a moving command: what was learned until then may be luck
)
KEPT_S = 10.0  # of healthy spraying without it, until a doubt is over
MOVING_REMEMBERED_S = 6.0
MUCH_HELD = 1.5  # times the rig's refresh period
MUCH_NOISE = 4.0  # times the rig's variance
MUCH_BETTER = 0.8  # of the misfit of the best car inside


def note_misfits(k: Constants, s: State, delivered_ml_min: float, entry_s: float) -> None:
    """Note how well each car of the bank fits where they differ: while the command moves."""
    s.moving_s += entry_s
    s.moved = 1.0
    remembered_s = s.moving_s if s.moving_s < MOVING_REMEMBERED_S else MOVING_REMEMBERED_S
    weight = entry_s / (entry_s + remembered_s)
    for q in range(k.n_cars):
        off = (delivered_ml_min - s.gain * s.entry_ml_min[q]) / k.full_ml_min
        s.misfit[q] += weight * (off * off - s.misfit[q])


def least_misfit(k: Constants, s: State, delay: int, lag: int) -> float:
    """Return the misfit of the best car of one delay (or any, below 0) and one lag (or any)."""
    least = INFINITE
    for a in range(k.n_delays):
        for b in range(k.n_lags):
            if (delay < 0 or a == delay) and (lag < 0 or b == lag):
                misfit = s.misfit[a * k.n_lags + b]
                if misfit < least:
                    least = misfit
    return least


def doubt_of_edges(k: Constants, s: State) -> float:
    """Return whether the car that fits best lies on an edge of the bank, and on which."""
    if k.n_delays > 2:
        inside = INFINITE
        for a in range(1, k.n_delays - 1):
            misfit = least_misfit(k, s, a, -1)
            if misfit < inside:
                inside = misfit
        if least_misfit(k, s, 0, -1) < MUCH_BETTER * inside:
            return EARLY
        if least_misfit(k, s, k.n_delays - 1, -1) < MUCH_BETTER * inside:
            return LATE
    if k.n_lags > 2:
        inside = INFINITE
        for b in range(1, k.n_lags - 1):
            misfit = least_misfit(k, s, -1, b)
            if misfit < inside:
                inside = misfit
        if least_misfit(k, s, -1, 0) < MUCH_BETTER * inside:
            return QUICK
        if least_misfit(k, s, -1, k.n_lags - 1) < MUCH_BETTER * inside:
            return SLOW
    return NO_DOUBT


def doubt_now(k: Constants, s: State) -> float:
    """Return in what the rig seems wrong now, by what was learned."""
    if s.holds_s > MUCH_HELD * k.refresh_s:
        return HOLDS
    if s.noise_sq > MUCH_NOISE * k.noise_sq:
        return NOISY
    if s.gain <= k.lowest_gain:
        return READS_LOW
    if s.gain >= k.highest_gain:
        return READS_HIGH
    return s.edge_doubt


def doubt_rig(k: Constants, s: State, entry_s: float) -> None:
    """Ask for a warning where the rig seems wrong about this car; called in steady, calm spray."""
    if s.moved > 0.0:  # once after each time the command moved
        s.moved = 0.0
        s.edge_doubt = doubt_of_edges(k, s) if s.moving_s >= KNOWN_S else NO_DOUBT
    found = doubt_now(k, s) if s.learned_s >= KNOWN_S else NO_DOUBT
    if found != NO_DOUBT:
        s.rig_doubt = found
        s.sound_s = 0.0
    elif s.rig_doubt != NO_DOUBT:
        s.sound_s += entry_s
        if s.sound_s > KEPT_S:
            s.rig_doubt = NO_DOUBT
    s.asked[RIG_DOUBTED] = WARN if s.rig_doubt != NO_DOUBT else NO_ACTION
