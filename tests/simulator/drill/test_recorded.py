"""A recorded stretch becomes a drive and a case, as far as its log can tell."""

import numpy as np
import pytest

from simulator.drill.authoring import lesson_of, lesson_text, of_moment
from simulator.plant import Do, FaultKind, Scenario
from simulator.runs import Drive
from simulator.scenario import load_scenario_and_rig


@pytest.fixture(scope="module")
def driven() -> tuple[Scenario, np.ndarray]:
    """Return a scenario whose pump stops at 13 s, and its log."""
    scenario, _ = load_scenario_and_rig("pump_stop")
    rows = np.concatenate([b.rows for b in Drive(scenario, 3, guarded=False, compiled=True)])
    return scenario, rows


def test_a_recorded_moment_becomes_drive_and_case(driven: tuple[Scenario, np.ndarray]) -> None:
    """Pulls and lifts come when they came; the cause that is likeliest is the case."""
    scenario, rows = driven
    draft = of_moment(rows, scenario.rig, "brindle", 13.0, "a log at 13 s")
    lesson = lesson_of(lesson_text(draft), "road")
    done = [step for step in lesson.scenario.drive if step.do is Do.PULL]
    asked = [step for step in scenario.drive if step.do is Do.PULL]
    assert [step.for_s for step in done] == pytest.approx([s.for_s for s in asked], abs=0.3)
    assert [step.gear for step in done[:2]] == [2, 4]  # in the last one the dry engine pulls less
    assert lesson.scenario.duration_s == pytest.approx(scenario.duration_s, abs=0.3)
    (fault,) = lesson.cases[0].faults
    assert (fault.kind, fault.at_s, lesson.cases[0].call) == (FaultKind.PUMP_STOP, 13.0, "pump")
    assert "pump weak or stopped" in lesson.cases[0].debrief


def test_a_healthy_moment_has_no_fault(driven: tuple[Scenario, np.ndarray]) -> None:
    """Before anything is wrong nothing is found, and the text says so."""
    scenario, rows = driven
    draft = of_moment(rows[rows[:, 0] < 9.0], scenario.rig, "brindle", 6.0, "a log at 6 s")
    lesson = lesson_of(lesson_text(draft), "road")
    assert [case.faults for case in lesson.cases] == [()]
    assert "No cause was found" in lesson.goal


def test_a_stretch_that_begins_in_a_pull_gets_a_road_before_it(
    driven: tuple[Scenario, np.ndarray],
) -> None:
    """And the moment moves with it; without a throttle boost tells the steps."""
    scenario, rows = driven
    late = rows[rows[:, 0] > 11.0].copy()
    late[:, 11] = -np.inf
    draft = of_moment(late, scenario.rig, "brindle", 13.0, "a log at 13 s")
    steps = draft.scenario.drive
    assert [step.do for step in steps[:2]] == [Do.CRUISE, Do.PULL]
    assert draft.scenario.faults[0].at_s == pytest.approx(5.0, abs=0.1)
