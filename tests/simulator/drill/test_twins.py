"""The same ride again is the same to the bit, and differs by what is left out alone."""

import numpy as np
import pytest

from simulator.drill.ride import Ride
from simulator.drill.twins import drive_again, twins_of
from simulator.drill.words import Act, Failsafe
from simulator.plant import Fault, FaultKind
from tests.kit.rides import STOP, bits, driven, pull, truth

CLOG = Fault(FaultKind.CLOGGED_NOZZLE, magnitude=0.5)


def eventful(failsafe: Failsafe = Failsafe.ON) -> Ride:
    """Return a ride in which everything is done that can be."""
    ride = driven(Ride(pull(STOP), 4, failsafe=failsafe, late_by_s=0.2), 0.6)
    number = ride.inject(CLOG)
    driven(ride, 0.5)
    ride.act(Act.CUT_BOOST)
    ride.escalate(number, 0.9, 0.2)
    driven(ride, 0.5)
    moment = ride.mark()
    ride.act(Act.LIFT)
    driven(ride, 0.5)
    ride.rewind(moment)
    ride.acknowledge()
    ride.call("pump")
    ride.clear(0)
    return driven(ride, 1.0)


@pytest.mark.parametrize("failsafe", list(Failsafe))
def test_a_ride_driven_again_is_the_same_to_the_bit(failsafe: Failsafe) -> None:
    """Acts, acknowledgement and an instructor's doings come at the same samples."""
    ride = eventful(failsafe)
    again = drive_again(ride.facts)
    assert bits(again) == bits(ride)
    assert again.spans == ride.spans
    assert again.facts == ride.facts


def test_twins_share_the_ride_up_to_what_was_left_out() -> None:
    """Without the fault nothing differs before its onset; afterwards much does."""
    ride = eventful()
    without = drive_again(ride.facts, faults=False)
    onset = int(np.searchsorted(truth(ride, "time_s"), ride.spans[1].begins_s)) - 1
    assert onset > 40
    flows = [truth(one, "true_flow_ml_min") for one in (ride, without)]
    assert np.array_equal(flows[0][:onset], flows[1][:onset])
    assert not np.array_equal(*flows)
    assert all(span.now == 0.0 for span in without.spans)


def test_one_fault_may_be_left_out() -> None:
    """The others come as they came, by the same numbers."""
    ride = driven(Ride(pull(STOP, CLOG), 4, failsafe=Failsafe.OFF))
    without = drive_again(ride.facts, without=(0,))
    assert [span.now for span in without.spans] == [0.0, 0.5]
    assert [span.kind for span in without.spans] == [FaultKind.PUMP_STOP, FaultKind.CLOGGED_NOZZLE]


def test_twins_are_driven_with_nobody_and_with_the_guard() -> None:
    """Nobody's engine pays most; a car without a fault pays nothing."""
    ride = eventful(Failsafe.LATE)
    twins = twins_of(ride.facts)
    assert twins.nobody.report.harm > twins.guard.report.harm
    assert twins.no_fault.report.harm == 0.0
    assert truth(twins.nobody, "true_retard_deg").max() == 0.0
    assert truth(twins.no_fault, "true_retard_deg").max() == 0.0
    assert truth(twins.guard, "true_retard_deg").max() > 0.0
    lengths = {len(one.record.truths) for one in (ride, twins.nobody, twins.guard, twins.no_fault)}
    assert len(lengths) == 1
