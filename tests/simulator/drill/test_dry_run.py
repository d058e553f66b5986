"""A lesson tried: what each case shows and costs, and what speaks against it."""

from dataclasses import replace

from simulator.drill.calls import NOTHING_WRONG
from simulator.drill.dry_run import dry_run, lines_of
from simulator.drill.lesson import Case, Lesson, load_lesson
from simulator.plant import Fault, FaultKind


def tried(*cases: Case) -> tuple[Lesson, list[tuple[tuple[str, ...], str]]]:
    """Return a lesson of these cases, and of each the doubts and what is told."""
    lesson = replace(load_lesson("same_road"), cases=cases)
    return lesson, [
        (one.doubts, "\n".join(lines_of(lesson, one))) for one in dry_run(lesson, compiled=True)
    ]


def test_each_case_is_told_with_its_signs_and_costs() -> None:
    """Signs, the guard's acts, harm and work each way; nothing speaks against it."""
    lesson = load_lesson("same_road")
    _, found = tried(*lesson.cases)
    (doubts, text), (healthy_doubts, healthy) = found
    assert doubts == healthy_doubts == ()
    assert text.startswith("case 1 of 2, 75 % of drives: the pump")
    assert "call   pump; half right: tank_or_air" in text
    assert "after the onset" in text
    assert "cuts boost at 15." in text
    assert "nothing to save" in healthy
    assert "does nothing" in healthy
    assert max(map(len, text.splitlines())) <= 80


def test_what_nobody_can_see_or_answer_is_doubted() -> None:
    """A fault that never begins, one without a sign, one at the very end."""
    _, found = tried(
        Case("d", (Fault(FaultKind.PUMP_STOP, above_boost_kpa=400.0),), "pump"),
        Case("d", (Fault(FaultKind.CLOGGED_NOZZLE, 9.0, magnitude=0.001),), "clog"),
        Case("d", (Fault(FaultKind.PUMP_STOP, 24.0),), "pump"),
        Case("d", (), NOTHING_WRONG),
    )
    doubts = ["".join(one) for one, _ in found]
    assert "no fault begins" in doubts[0]
    assert "no reading shows it" in doubts[1]
    assert "to answer" in doubts[2]
    assert doubts[3] == ""
    assert "DOUBT  no fault begins" in found[0][1]
