"""The score: each part by its formula, and nothing to be won by calling or cutting at any time."""

from dataclasses import replace
from math import inf
from typing import Any

import pytest

from simulator.drill.calls import CALL_WORDS, NOTHING_WRONG
from simulator.drill.debrief import Debrief
from simulator.drill.lesson import Case, Lesson, load_lesson
from simulator.drill.ride import Answer
from simulator.drill.score import Score, score
from simulator.drill.signs import Sign
from simulator.drill.words import Failsafe
from simulator.plant import Fault, FaultKind, Report

ONSET_S = 14.0
PUMP = Case("The pump stopped.", (Fault(FaultKind.PUMP_STOP),), "pump")
HEALTHY = Case("Nothing.", (), NOTHING_WRONG)


def lesson(failsafe: Failsafe = Failsafe.OFF) -> Lesson:
    """Return a lesson that wants an answer within 5 s."""
    return replace(load_lesson("same_road"), failsafe=failsafe, answer_within_s=5.0)


def report(harm: float, work_kj: float) -> Report:
    """Return what a drive cost."""
    return Report(harm, 0, 0, work_kj, 0.0, 0.0, 0.0, 0.0)


def debrief(
    *calls: tuple[float, str],
    onset_s: float = ONSET_S,
    driven: tuple[float, float] = (150.0, 2400.0),
    nobody: tuple[float, float] = (150.0, 2400.0),
    lasted_s: float = 28.0,
) -> Debrief:
    """Return a debrief: the fault costs 150 of harm, the guard saves it for 100 kJ."""
    nothing: Any = None
    return Debrief(
        faults=(),
        truth=(),
        onset_s=onset_s,
        signs=(Sign(onset_s + 0.1, "delivered_ml_min", 0.0, 230.0),) if onset_s < inf else (),
        failsafe=Failsafe.OFF,
        late_by_s=0.0,
        guard_warn_s=inf,
        guard_pull_s=inf,
        guard_cut_s=inf,
        guard_said="",
        cause="",
        answers=tuple(Answer(time_s, "call", word) for time_s, word in calls),
        called="",
        called_s=inf,
        acted_s=inf,
        driven=report(*driven),
        guard=report(4.0, 2300.0),
        nobody=report(*nobody),
        no_fault=report(0.0, 2600.0),
        check_first=(),
        lasted_s=lasted_s,
        traces=nothing,
    )


def points(found: Score) -> dict[str, float]:
    """Return the points by part."""
    return {part.name: part.points for part in found.parts}


def test_all_of_it_for_the_right_call_and_act() -> None:
    """Called in time, all harm avoided, no more work lost than by the guard: 100."""
    found = score(debrief((17.0, "pump"), driven=(0.0, 2300.0)), lesson(), PUMP)
    assert (found.points, found.verdict) == (100.0, "right")
    assert sum(part.most for part in found.parts) == 100.0
    assert "2.9 s after the first sign" in found.parts[0].words


def test_doing_nothing_keeps_the_work_alone() -> None:
    """Nothing called, all of the harm done."""
    assert points(score(debrief(), lesson(), PUMP)) == {"call": 0.0, "engine": 0.0, "work": 20.0}


@pytest.mark.parametrize(
    ("after_s", "share"), [(0.05, 1.0), (5.1, 1.0), (10.1, 0.75), (15.1, 0.5), (999.0, 0.5)]
)
def test_a_late_call_counts_less(after_s: float, share: float) -> None:
    """In full within the lesson's time of the first sign, then down to half."""
    found = points(score(debrief((ONSET_S + after_s, "pump")), lesson(), PUMP))
    assert found["call"] == pytest.approx(40.0 * share)


def test_half_right() -> None:
    """What comes near gets half."""
    found = score(debrief((15.0, "tank_or_air")), lesson(), PUMP)
    assert (points(found)["call"], found.verdict) == (20.0, "half")


def test_who_changes_their_mind_pays_for_the_false_call() -> None:
    """The last call counts; that nothing is wrong costs nothing to have said."""
    found = points(score(debrief((15.0, "clog"), (16.0, "pump")), lesson(), PUMP))
    assert found["call"] == 30.0
    assert (
        points(score(debrief((2.0, NOTHING_WRONG), (16.0, "pump")), lesson(), PUMP))["call"] == 40
    )
    again = debrief((15.0, "pump"), (18.0, "pump"))
    assert points(score(again, lesson(), PUMP))["call"] == 40.0


def test_no_call_before_the_onset_names_the_fault() -> None:
    """Not even the right word; and said again afterwards, the early one was false."""
    early = score(debrief((3.0, "pump")), lesson(), PUMP)
    assert (points(early)["call"], early.verdict) == (0.0, "wrong")
    assert early.parts[0].words.startswith("called 11.0 s before anything went wrong: a guess")
    assert points(score(debrief((3.0, "pump"), (15.0, "pump")), lesson(), PUMP))["call"] == 30.0


def test_calling_all_day_wins_nothing() -> None:
    """Every word in turn, the right one last."""
    words = [word for word in CALL_WORDS if word != "pump"] + ["pump"]
    calls = [(1.0 + 2.0 * i, word) for i, word in enumerate(words)]
    found = score(debrief(*calls), lesson(), PUMP)
    assert found.verdict == "right"
    assert points(found)["call"] == 0.0


def test_where_nothing_can_be_saved_its_points_go_to_work() -> None:
    """A healthy drive: who cuts loses it, who says so and does nothing has all."""
    quiet = {"onset_s": inf, "nobody": (0.5, 2600.0)}
    said = debrief((27.0, NOTHING_WRONG), driven=(0.5, 2600.0), **quiet)  # type: ignore[arg-type]
    assert score(said, lesson(), HEALTHY).points == 100.0
    cut = debrief(driven=(0.0, 2340.0), **quiet)  # type: ignore[arg-type]
    assert points(score(cut, lesson(), HEALTHY)) == {"call": 0.0, "work": pytest.approx(30.0)}
    cried = debrief((9.0, "pump"), driven=(0.5, 2600.0), **quiet)  # type: ignore[arg-type]
    assert score(cried, lesson(), HEALTHY).verdict == "wrong"


def test_with_the_failsafe_on_the_call_is_what_counts() -> None:
    """It saves the engine by itself; what it loses of work isn't the trainee's doing."""
    on = lesson(Failsafe.ON)
    idle = score(debrief(driven=(4.0, 2300.0)), on, PUMP)
    assert idle.points == pytest.approx(30.0, abs=0.5)
    named = score(debrief((15.0, "pump"), driven=(4.0, 2300.0)), on, PUMP)
    assert named.points == pytest.approx(100.0, abs=0.5)


def test_a_drive_ended_early_counts_for_what_was_driven() -> None:
    """Else a healthy one would best be ended at once."""
    early = debrief((1.0, NOTHING_WRONG), onset_s=inf, nobody=(0.0, 200.0), lasted_s=2.8)
    found = score(replace(early, driven=report(0.0, 200.0)), lesson(), PUMP)
    assert found.points == pytest.approx(10.0)
    assert "10 % of the drive driven" in found.parts[0].words
