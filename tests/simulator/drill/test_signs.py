"""What a fault shows, on which channel and since when."""

from math import isnan

import numpy as np
import pytest

from rules.channels import CHANNEL_NAMES
from simulator.drill.ride import Ride
from simulator.drill.signs import ROWS, Seen, Sign, seen, signs_between
from simulator.drill.twins import drive_again
from simulator.drill.words import Failsafe
from simulator.plant import Fault, FaultKind
from tests.kit.rides import driven, pull

ONSET_S = 1.6


def signs_of(kind: FaultKind, magnitude: float = 1.0, channel: str = "") -> list[Sign]:
    """Return the signs of one fault in a pull whose guard only watches."""
    fault = Fault(kind, ONSET_S, magnitude=magnitude, channel=channel)
    ride = driven(Ride(pull(fault), 2, failsafe=Failsafe.OFF))
    return signs_between(seen(ride.record), seen(drive_again(ride.facts, faults=False).record))


def test_a_pump_that_stops_shows_in_pressure_then_flow_then_heat() -> None:
    """In the order in which the fluid fails to come."""
    channels = [sign.channel for sign in signs_of(FaultKind.PUMP_STOP)]
    assert channels[:3] == ["line_kpa", "delivered_ml_min", "intake_c"]
    assert "knock" in channels


def test_a_clog_shows_in_the_flow_first() -> None:
    """Pressure rises where a stopped pump's falls."""
    signs = signs_of(FaultKind.CLOGGED_NOZZLE, 0.8)
    by_channel = {sign.channel: sign for sign in signs}
    flow, line = by_channel["delivered_ml_min"], by_channel["line_kpa"]
    assert flow.reads < flow.due - 45.0
    assert line.reads > line.due + 35.0
    assert all(sign.time_s > ONSET_S for sign in signs)


@pytest.mark.parametrize(
    ("kind", "magnitude"), [(FaultKind.SENSOR_GAIN, -0.5), (FaultKind.SENSOR_SPIKES, 0.1)]
)
def test_a_sensor_that_lies_shows_on_its_channel_alone(kind: FaultKind, magnitude: float) -> None:
    """The car itself is well: nothing else differs."""
    (sign,) = signs_of(kind, magnitude)
    assert sign.channel == "delivered_ml_min"
    assert 0.0 < sign.time_s - ONSET_S < 0.6


def test_silence_is_a_sign_and_nothing_else_is_then() -> None:
    """A reading that no longer comes is not held against what it would be."""
    (sign,) = signs_of(FaultKind.UNPLUGGED)
    assert sign.channel == ROWS
    assert isnan(sign.reads)
    assert sign.in_words == "no samples come"
    assert sign.time_s == pytest.approx(ONSET_S + 0.25, abs=0.02)


def test_a_clock_that_steps_is_a_sign() -> None:
    """By how much, too."""
    (sign,) = signs_of(FaultKind.CLOCK_STEP, -0.5)
    assert (sign.channel, sign.in_words) == (ROWS, "the log's time is -5.0 s off")


def test_lost_and_repeated_samples_show_on_no_channel() -> None:
    """What comes is right."""
    assert signs_of(FaultKind.MESSAGES_LOST, 0.3) == []
    assert signs_of(FaultKind.MESSAGES_REPEATED, 0.3) == []


def test_a_reading_that_is_gone_is_a_sign() -> None:
    """NaN is nothing, and nothing differs from what would be there."""
    nothing = Sign(1.0, "delivered_ml_min", float("nan"), 640.0)
    assert nothing.in_words == "delivered flow reads nothing instead of 640 mL/min"
    assert Sign(1.0, "lambda_ratio", 0.871, 0.79).in_words == "lambda reads 0.87 instead of 0.79"


def test_a_difference_within_the_ripple_is_not_seen() -> None:
    """A line's pressure swings with the pump's strokes: it has to leave the swing."""
    now_s = 0.01 * np.arange(1, 301)

    def line(phase: float, off_kpa: float) -> Seen:
        readings = np.full((300, len(CHANNEL_NAMES)), np.nan)
        swing = 1000.0 + 50.0 * np.sin(90.0 * now_s + phase)
        readings[:, CHANNEL_NAMES.index("line_kpa")] = swing + off_kpa * (now_s > 2.0)
        return Seen(now_s, now_s, now_s, readings)

    assert signs_between(line(1.5, 0.0), line(0.0, 0.0)) == []
    (sign,) = signs_between(line(1.5, -60.0), line(0.0, 0.0))
    assert 2.0 < sign.time_s < 2.1
    assert sign.reads < 910.0


def test_before_the_first_row_nothing_is_seen() -> None:
    """A ride that hasn't begun has no sign."""
    nothing = seen(Ride(pull(), 1).record)
    assert len(nothing.now_s) == 0
    assert signs_between(nothing, nothing) == []
