"""Short rides of a shipped car, and what they left behind."""

from math import inf
from typing import Any

from simulator.drill.ride import Ride
from simulator.plant import Do, Fault, FaultKind, Scenario, Step
from simulator.plant.truth import TRUTH_NAMES
from tests.kit.proofs import brindle

PULL = (Step(Do.CRUISE, 0.4, 3), Step(Do.PULL, 3.0, 3))
STOP = Fault(FaultKind.PUMP_STOP, above_boost_kpa=90.0)


def pull(*faults: Fault, rate_hz: float = 100.0) -> Scenario:
    """Return a short pull of the shipped brindle."""
    return Scenario("pull", "A pull.", brindle().rig, PULL, faults, rate_hz)


def driven(ride: Ride, seconds: float = inf) -> Ride:
    """Drive on for a time, or to the end; return the ride."""
    until_s = ride.time_s + seconds
    while not ride.finished and ride.time_s < until_s - 1e-6:
        ride.step()
    return ride


def truth(ride: Ride, name: str) -> Any:
    """Return one of the truths, by sample."""
    return ride.record.truths[:, TRUTH_NAMES.index(name)]


def bits(ride: Ride) -> tuple[bytes, ...]:
    """Return all that a ride left behind, to the bit."""
    record = ride.record
    kept = record.rows, record.decisions, record.came, record.truths, record.asked
    return tuple(one.tobytes() for one in kept)
