"""Every fault has one right call, out of a list that is short and plain."""

import pytest

from simulator.drill.calls import CALL_WORDS, CALLS, call_of, calls_near
from simulator.plant import Fault, FaultKind


def test_the_list_is_short_and_each_line_plain() -> None:
    """At most twelve calls, each a word of its own and a line that fits half a narrow screen."""
    assert len(CALLS) <= 12
    assert len(set(CALL_WORDS)) == len(CALLS)
    assert max(len(call.words) for call in CALLS) <= 33


@pytest.mark.parametrize("kind", FaultKind)
def test_every_fault_has_its_call(kind: FaultKind) -> None:
    """A call of the list, never that nothing is wrong; what is half right is another."""
    fault = Fault(kind)
    right = call_of(fault)
    assert right in CALL_WORDS[1:]
    near = calls_near([fault], right)
    assert right not in near
    assert near <= set(CALL_WORDS[1:])


def test_every_call_is_right_of_some_fault() -> None:
    """No call stands in the list for nothing."""
    sensor = Fault(FaultKind.SENSOR_STUCK, channel="boost_kpa")
    calls = {call_of(fault) for fault in (sensor, *(Fault(kind) for kind in FaultKind))}
    assert calls == set(CALL_WORDS[1:])


@pytest.mark.parametrize(
    ("channel", "right"),
    [("", "flow_sensor"), ("delivered_ml_min", "flow_sensor"), ("line_kpa", "other_sensor")],
)
def test_a_sensor_is_the_flow_sensor_or_another(channel: str, right: str) -> None:
    """Which one is told by its channel; none named is the flow sensor."""
    assert call_of(Fault(FaultKind.SENSOR_GAIN, channel=channel)) == right


def test_either_of_two_faults_is_half_right_where_the_other_is_called() -> None:
    """A stuck sensor that hides a fading pump: who names the pump has half of it."""
    faults = [Fault(FaultKind.SENSOR_STUCK), Fault(FaultKind.PUMP_FADE)]
    assert "pump" in calls_near(faults, "flow_sensor")
