"""The words of a drill that lesson, ride and screen share."""

from enum import StrEnum


class Failsafe(StrEnum):
    """Whether the guard's orders reach the car in a lesson."""

    ON = "on"
    OFF = "off"
    LATE = "late"


class Act(StrEnum):
    """What a trainee may have the car do."""

    HOLD = "hold"  # nothing asked; after a lift the driver goes on
    PULL_TIMING = "pull_timing"
    CUT_BOOST = "cut_boost"
    LIFT = "lift"
