"""What is fitted on a car's pulls keeps a guard calm on other pulls of that car."""

from dataclasses import replace

import numpy as np
import pytest

from rules.facts import Action
from rules.guard import Guard
from rules.step.state import Decision
from simulator.identify import identify
from simulator.identify.widen import DELAY, LAG, WIDENED, as_written
from simulator.plant import Fault, FaultKind, Spread
from simulator.rig import find_rig, load_rig
from tests.kit.plant_logs import log_of, pulls, rows_of

STOPS = Fault(FaultKind.PUMP_STOP, 6.0)


@pytest.mark.parametrize("name", ["brindle", "tarnwick", "wexmoor", "ullesby"])
def test_fitted_rig_is_calm_on_other_pulls_and_finds_a_stopped_pump(name: str) -> None:
    """No action on two fresh seeds; a pump that stops is cut for, within half a second."""
    rig = load_rig(find_rig(name)).rig
    car = replace(pulls(rig, 4), spread=Spread(0.09, 0.13, 0.02, 0.035))
    found = identify([log_of(rows_of(car, 1))], rig)
    fitted = as_written(rig, found.numbers)
    assert found.left_out == ()
    for seed in (101, 102):
        assert not Guard(fitted).run_rows(rows_of(car, seed))[:, 1].any()
    rows = rows_of(replace(car, faults=(STOPS,)), 103)
    decided = Decision.named(np.ascontiguousarray(Guard(fitted).run_rows(rows)))
    pulled_s = decided["time_s"][decided["action"] >= Action.PULL_TIMING]
    assert 6.0 < pulled_s[0] < 6.5


@pytest.mark.parametrize("name", ["brindle", "tarnwick", "wexmoor", "quarrick"])
def test_a_simulated_car_of_the_fitted_rig_is_not_accused(name: str) -> None:
    """Its reading shows what was fitted, and spreads no farther than the fit says it may."""
    rig = load_rig(find_rig(name)).rig
    fitted = as_written(rig, identify([log_of(rows_of(pulls(rig, 6), 1))], rig).numbers)
    for seed in range(1, 7):
        assert not Guard(fitted).run_rows(rows_of(pulls(fitted, 4), seed))[:, 1].any()


def test_evidence_that_no_tolerance_cures_widens_none() -> None:
    """One pull's noise comes to 40 % of the limit, whatever delay and lag may be; it is chance."""
    rig = load_rig(find_rig("ullesby")).rig
    car = replace(pulls(rig, 10), spread=Spread(0.0904, 0.1298, 0.0, 0.035))
    found = identify([log_of(rows_of(car, 8))], rig)
    for key in (DELAY, LAG):
        assert WIDENED not in found.numbers[key].from_
    assert found.doubts == ()
