"""Fault intervals in ISO 26262 terms: they add up, and words agree with figures."""

import pytest

from rules.facts import Action
from rules.intervals import Intervals, intervals
from tests.kit.rigs import healthy, rig


def test_the_time_budget_adds_up() -> None:
    """FHTI = FDTI + FRTI exactly; a found 142 ms against 100 ms fails (ISO 26262-1:2018 terms).

    The 100 and 142 ms are the worked budget of the reference row ftti-terms.
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
