"""A simulated car whose pump's speed follows the command, judged by its line's pressure."""

from dataclasses import replace

import numpy as np
import pytest

from rules.channels import BOOST, LINE
from rules.facts import Action
from rules.guard import Guard
from rules.step.from_rig import constants_of
from rules.step.state import Decision
from simulator.plant import Fault, FaultKind
from simulator.rig import find_rig, load_rig
from tests.kit.plant_logs import drive

VALVE = load_rig(find_rig("orrinby")).rig
RIG = replace(
    VALVE, spray=replace(VALVE.spray, pump=replace(VALVE.spray.pump, follows_command=True))
)


def decided(rows: np.ndarray) -> np.ndarray:
    """Return what a guard decides, by name."""
    return Decision.named(np.ascontiguousarray(Guard(RIG).run_rows(rows)))


def test_pressure_goes_with_the_square_of_the_flow() -> None:
    """As the nozzles' law has it, whatever the pump does; and nobody is accused."""
    rows = drive(RIG, 5)
    made = decided(rows)
    assert made["action"].max() == Action.NO_ACTION
    k = constants_of(RIG)
    flow = made["commanded_ml_min"]
    steady = (np.abs(np.gradient(flow)) < 1.0) & (flow > 60.0)
    due = rows[:, BOOST] + k.check_valve_kpa + flow**2 / k.conductance_sq
    assert np.median(rows[steady, LINE] / due[steady]) == pytest.approx(1.0, abs=0.03)


def test_a_rig_that_takes_it_for_a_valve_accuses_it() -> None:
    """So this must be said of a car."""
    assert Guard(VALVE).run_rows(drive(RIG, 5))[:, 1].max() >= Action.PULL_TIMING


@pytest.mark.parametrize(
    ("kind", "magnitude", "within_s"),
    [(FaultKind.PUMP_STOP, 1.0, 0.2), (FaultKind.CLOGGED_NOZZLE, 0.6, 1.0)],
)
def test_a_fault_is_found(kind: FaultKind, magnitude: float, within_s: float) -> None:
    """A pump that stops at once, a clog by the pressure that rises."""
    made = decided(drive(RIG, 7, Fault(kind, 6.0, magnitude=magnitude)))
    pulled_s = made["time_s"][made["action"] >= Action.PULL_TIMING]
    assert 6.0 < pulled_s[0] < 6.0 + within_s
