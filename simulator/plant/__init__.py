"""The plant: a car with a spray system on a scripted drive, the truth a guard is tested against.

It shares no hydraulics with ``rules``: if both had the same mistake, no test would see it.
"""

from simulator.plant.car import Car, run
from simulator.plant.script import Do, Fault, FaultKind, Scenario, Spread, Step
from simulator.plant.truth import Report

__all__ = [
    "Car",
    "Do",
    "Fault",
    "FaultKind",
    "Report",
    "Scenario",
    "Spread",
    "Step",
    "run",
]
