"""Fault intervals in ISO 26262 terms: they add up, and words agree with figures."""

import pytest

from rules.facts import Action
from rules.intervals import Intervals, intervals
from tests.kit.rigs import first, healthy, rig


def test_the_time_budget_adds_up() -> None:
    """FHTI = FDTI + FRTI exactly; a found 142 ms against 100 ms fails (ISO 26262-1:2018 terms).

    The 100 and 142 ms are a budget worked by hand.
    """
    over = Intervals(detection_s=0.082, reaction_s=0.06, tolerant_s=0.1)
    assert over.handling_s == 0.082 + 0.06
    assert not over.in_time
    assert over.margin == pytest.approx(-0.42)
    drive = healthy(rig())
    decisions = drive.run(0.5, share=0.0)
    pulled = next(d for d in decisions if d.action == Action.PULL_TIMING)
    found = intervals(drive.guard.rig, 0, pulled)
    sensor_s = 0.08 + 0.1
    assert found.detection_s == pulled.short_s + sensor_s
    assert pulled.short_s == pytest.approx(0.01 * (decisions.index(pulled) + 1))
    assert found.in_time is (found.handling_s < 0.6)


def test_the_time_budget_in_words() -> None:
    """The clause names all four intervals and says whether the fault was handled in time."""
    assert Intervals(0.25, 0.0625, 0.5).in_words() == (
        "handled in 0.31 s (detection 0.25, reaction 0.06) of 0.50 s tolerated: in time"
    )
    assert Intervals(0.5, 0.0625, 0.5).in_words().endswith("TOO LATE")


def test_a_fault_begins_no_earlier_than_its_spell_of_spray() -> None:
    """Evidence that a healthy spell left over says nothing of when the next one's fault began."""
    drive = healthy(rig())
    drive.run(0.4, commanded_ml_min=0.0)
    drive.run(5.0, share=0.0, commanded_ml_min=0.0)
    assert 0.0 < drive.last.evidence < 0.01
    left_s = drive.last.short_s
    assert left_s > 0.5
    due_s = drive.time_s
    decisions = []
    for i in range(60):
        decisions += drive.run(0.01, share=0.0, commanded_ml_min=25.0 + 4.0 * i)
    pulled = decisions[first(decisions, Action.PULL_TIMING)]
    found = intervals(drive.guard.rig, 0, pulled)
    assert pulled.clock_s - found.detection_s == pytest.approx(due_s)
    assert found.in_time
