"""Words that ride, lesson and screen share; light to import."""

from enum import StrEnum


class Failsafe(StrEnum):
    """What becomes of the guard's orders to the engine."""

    ON = "on"
    OFF = "off"  # the guard watches only
    LATE = "late"  # they reach the car later


class Act(StrEnum):
    """What the trainee has the car do, the mildest first; it stands until the next act."""

    HOLD = "hold"  # nothing beside the guard
    PULL_TIMING = "pull_timing"  # take back all the timing that spray pays for
    CUT_BOOST = "cut_boost"  # that, and no more boost than the engine holds dry
    LIFT = "lift"  # foot off the pedal
