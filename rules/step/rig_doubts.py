"""In what the rig seems wrong about this car: told before it costs a false pull or a late one.

Judgement is widened where that is plain: a sensor that holds its readings is judged once in each
hold, one that reads in steps as one with the noise of its rounding, and noise is learned up to a
bound.
"""

from rules.step.arithmetic import larger, smaller
from rules.step.constants import Constants
from rules.step.state import (
    COARSE,
    FELL,
    HOLDS,
    NO_ACTION,
    NO_DOUBT,
    NOISY,
    READS_HIGH,
    READS_LOW,
    RIG_DOUBTED,
    WARN,
    State,
)

KNOWN_S = 3.0  # of healthy spraying: what was learned until then may be luck
KEPT_S = 10.0  # of healthy spraying without it, until a doubt is over
MUCH_HELD = 1.5  # times the rig's refresh period
OF_A_STEP = 1.0 / 12.0  # variance of what rounding to a step of 1 leaves (uniform distribution)
MUCH_COARSER = 1.3  # times the rig's floor
FINE_STEP = 0.5  # times the floor, which is noise enough for the rounding of a smaller one
MUCH_NOISE = 4.0  # times the rig's variance


def doubt_now(k: Constants, s: State, floor_sq: float) -> float:
    """Return in what the rig seems wrong now, by what was learned; ``floor_sq`` as in ``learn``."""
    if s.holds_s > MUCH_HELD * k.refresh_s:
        return HOLDS
    if s.flow_step_ml_min > MUCH_COARSER * k.floor_ml_min:
        return COARSE
    # The floor's share may have been learned as noise that lasts: all noise counts.
    if s.noise_sq + s.floor_part * floor_sq > MUCH_NOISE * k.noise_sq + floor_sq:
        return NOISY
    if s.fallen != 0.0:
        return FELL
    if s.gain <= k.lowest_gain:
        return READS_LOW
    if s.gain >= k.highest_gain:
        return READS_HIGH
    return NO_DOUBT


def doubt_rig(k: Constants, s: State, floor_sq: float, entry_s: float) -> None:
    """Ask for a warning where the rig seems wrong about this car; called in steady, calm spray.

    ``floor_sq`` and ``entry_s`` as in ``learn``.
    """
    found = NO_DOUBT
    if s.learned_s >= KNOWN_S:
        s.floor_sq = larger(k.floor_sq, s.flow_step_ml_min * s.flow_step_ml_min * OF_A_STEP)
        step = s.flow_step_ml_min
        # A coarse step is no noise, too: a reading may lie half of it low for long.
        coarse = step > FINE_STEP * k.floor_ml_min
        s.rounding_ml_min = 0.5 * smaller(step, 2.0 * k.floor_ml_min) if coarse else 0.0
        found = doubt_now(k, s, floor_sq)
    if found != NO_DOUBT:
        s.rig_doubt = found
        s.sound_s = 0.0
    elif s.rig_doubt != NO_DOUBT:
        s.sound_s += entry_s
        if s.sound_s > KEPT_S:
            s.rig_doubt = NO_DOUBT
    s.asked[RIG_DOUBTED] = WARN if s.rig_doubt != NO_DOUBT else NO_ACTION
