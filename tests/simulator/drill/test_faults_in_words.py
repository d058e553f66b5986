"""Every fault there is can be told in words."""

from math import inf

import pytest

from simulator.drill.faults_in_words import check_first, how_much, in_words, what_goes_wrong
from simulator.drill.ride import Standing
from simulator.plant import FaultKind


@pytest.mark.parametrize("kind", list(FaultKind), ids=lambda kind: kind.word)
def test_every_kind_is_told(kind: FaultKind) -> None:
    """No two alike, no name of the code's, no hole left."""
    channel = "boost_kpa" if kind.of_a_sensor else ""
    told = what_goes_wrong(kind, channel)
    assert [what_goes_wrong(other, channel) for other in FaultKind].count(told) == (
        2 if kind in (FaultKind.SENSOR_OFFSET, FaultKind.SENSOR_GAIN) else 1
    )
    for text in (told, how_much(kind, 0.4), check_first(kind, channel)):
        assert "_" not in text.replace("flow_sensor", "")
        assert "{" not in text
    assert check_first(kind, channel) != "nothing"


@pytest.mark.parametrize(
    ("kind", "channel", "magnitude", "words"),
    [
        (FaultKind.PUMP_STOP, "", 1.0, "the pump stops, from 3.20 s on"),
        (
            FaultKind.CLOGGED_NOZZLE,
            "",
            0.4,
            "a nozzle clogs (40 % of the nozzles' opening gone), from 3.20 s on",
        ),
        (
            FaultKind.SENSOR_GAIN,
            "",
            -0.25,
            "the flow sensor is off (by -25 % of its reading), from 3.20 s on",
        ),
        (
            FaultKind.SENSOR_OFFSET,
            "intake_c",
            0.1,
            "the intake temperature sensor is off (by +10 % of its span), from 3.20 s on",
        ),
        (FaultKind.MESSAGES_LATE, "", 0.5, "samples come late (by 0.25 s), from 3.20 s on"),
        (FaultKind.CLOCK_STEP, "", -1.0, "the logger's clock steps (by -10 s), from 3.20 s on"),
    ],
)
def test_a_fault_is_told_with_how_much_and_when(
    kind: FaultKind, channel: str, magnitude: float, words: str
) -> None:
    """In the units of what it is a share of."""
    assert in_words(Standing(0, kind, channel, 3.2, inf, magnitude, magnitude)) == words


def test_a_fault_that_ended_or_never_began_is_told_so() -> None:
    """Neither reads as if it were there."""
    gone = Standing(0, FaultKind.AIR, "", 3.2, 4.0, 0.3, 0.0)
    assert in_words(gone) == "the pump draws air (30 % of what it moves), from 3.20 s to 4.00 s"
    never = Standing(0, FaultKind.PUMP_STOP, "", inf, inf, 1.0, 0.0)
    cleared = Standing(0, FaultKind.PUMP_STOP, "", inf, inf, 1.0, 0.0, cleared=True)
    assert in_words(cleared) == "the pump stops: cleared before it began"
    assert in_words(never) == "the pump stops: never, as what it waits for did not come"


def test_a_sensors_check_is_that_of_its_channel() -> None:
    """The flow sensor's by how it fails, the others' by which it is."""
    assert "rotor" in check_first(FaultKind.SENSOR_STUCK)
    assert "a cup" in check_first(FaultKind.SENSOR_GAIN, "delivered_ml_min")
    assert "gauge" in check_first(FaultKind.SENSOR_OPEN, "line_kpa")
    assert "thermometer" in check_first(FaultKind.SENSOR_OFFSET, "intake_c")
    assert "hose" in check_first(FaultKind.SENSOR_STUCK, "boost_kpa")
    assert "plug" in check_first(FaultKind.SENSOR_STUCK, "lambda_ratio")
