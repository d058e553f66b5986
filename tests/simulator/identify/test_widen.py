"""What is fitted on a car's pulls keeps a guard calm on other pulls of that car."""

from dataclasses import replace

import numpy as np
import pytest

from rules.channels import COLUMN_OF
from rules.facts import Action, Rig
from rules.guard import Guard
from rules.step.state import Decision
from simulator.identify import Series, identify, rig_with
from simulator.plant import Do, Fault, FaultKind, Step, run
from simulator.rig import find_rig, load_rig
from simulator.scenario import load_scenario

PULLS = tuple(
    step
    for gear in (3, 4, 3, 4)
    for step in (Step(Do.CRUISE, 3.0, gear), Step(Do.PULL, 5.0, gear), Step(Do.LIFT, 2.0))
)
STOPS = Fault(FaultKind.PUMP_STOP, 6.0)


def drive(rig: Rig, seed: int, *faults: Fault) -> np.ndarray:
    """Return the rows of four pulls of the plant's car."""
    scenario = replace(load_scenario("healthy_pulls"), rig=rig, drive=PULLS, faults=faults)
    return np.array(list(run(scenario, seed, compiled=True)))


def log_of(rows: np.ndarray) -> Series:
    """Return the same as a log."""
    read = {name: rows[:, column] for name, column in COLUMN_OF.items()}
    return Series(rows[:, 0], {n: np.where(np.isfinite(c), c, np.nan) for n, c in read.items()})


@pytest.mark.parametrize("name", ["brindle", "tarnwick", "wexmoor", "ullesby"])
def test_fitted_rig_is_calm_on_other_pulls_and_finds_a_stopped_pump(name: str) -> None:
    """No action on two fresh seeds; a pump that stops is cut for, within half a second."""
    rig = load_rig(find_rig(name)).rig
    found = identify([log_of(drive(rig, 1))], rig)
    fitted = rig_with(rig, found.numbers)
    assert found.left_out == ()
    assert fitted.flow_sensor.delay_s > rig.flow_sensor.delay_s  # valve and line come on top
    for seed in (101, 102):
        assert not Guard(fitted).run_rows(drive(rig, seed))[:, 1].any()
    decided = Decision.named(np.ascontiguousarray(Guard(fitted).run_rows(drive(rig, 103, STOPS))))
    pulled_s = decided["time_s"][decided["action"] >= Action.PULL_TIMING]
    assert 6.0 < pulled_s[0] < 6.5
