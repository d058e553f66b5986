"""``flowdebt drill`` without its screens: the course, what a class is told, results, lessons."""

import csv
from pathlib import Path

import pytest

from monitor.attach.protocol import Command
from monitor.cli import run as flowdebt
from monitor.commands.drilling import order_of
from simulator.drill.lesson import load_lesson, shipped_lessons
from tests.kit.drills import School, short_lesson

COURSE = list(shipped_lessons())


def _order(lesson: str = "", **changes: object) -> list[str]:
    facts = {"random": False, "seed": 3, "instructed": False, "record": None, "speed": 1.0}
    return order_of(lesson, **{**facts, **changes}).lessons  # type: ignore[arg-type]


def test_the_course_is_listed_and_tells_no_fault(capsys: pytest.CaptureFixture[str]) -> None:
    """A line a lesson, in order; not one word of what is wrong in it, or what to learn."""
    assert flowdebt(["drill", "--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[1] for line in lines] == COURSE
    told = "\n".join(lines).lower()
    for name in COURSE:
        lesson = load_lesson(name)
        assert lesson.goal.lower() not in told
        for case in lesson.cases:
            assert case.debrief.lower() not in told
            for fault in case.faults:
                assert fault.kind.word not in told
                assert fault.kind.word.replace("_", " ") not in told


def test_a_class_goes_through_the_course_from_where_it_is_asked(tmp_path: Path) -> None:
    """By number, by name, at random by the seed; a file of one's own stands alone."""
    assert _order() == COURSE
    assert _order("3") == _order(COURSE[2]) == COURSE[2:]
    own = short_lesson(tmp_path)
    assert _order(str(own)) == [str(own)]
    mixed = _order(random=True)
    assert mixed == _order(random=True) != COURSE
    assert sorted(mixed) == sorted(COURSE)
    assert _order(random=True, seed=4) != mixed


def test_without_a_seed_each_class_is_another() -> None:
    """Whoever drives a lesson again must not know what comes; a given seed is kept."""
    facts = {"random": False, "instructed": True, "record": Path("kept"), "speed": 2.0}
    given = order_of("", seed=7, **facts)  # type: ignore[arg-type]
    assert (given.seed, given.instructed, given.results, given.speed) == (7, True, "kept", 2.0)
    seeds = {order_of("", seed=None, **facts).seed for _ in range(4)}  # type: ignore[arg-type]
    assert len(seeds) > 1


def test_results_are_told_and_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In lines, as CSV and as a page; a file in the way is left alone."""
    kept = tmp_path / "kept"
    school = School(short_lesson(tmp_path), results=kept)
    link = school.link("join", "ann")
    link.take_place()
    school.obey(link, Command("begin"))
    school.drive_out()
    assert flowdebt(["drill", "--results", str(kept)]) == 0
    assert "ann" in capsys.readouterr().out
    for name in ("class.csv", "class.html"):
        path = tmp_path / name
        asked = ["drill", "--results", str(kept), "--report", str(path)]
        assert flowdebt(asked) == 0
        assert "ann" in path.read_text(encoding="utf-8")
        assert flowdebt(asked) == 2
    with (tmp_path / "class.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["alias"], row["verdict"]) == ("ann", "none")


def test_a_lesson_is_written_from_a_scenario_and_tried(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is written can be tried at once: what shows when, what the guard does."""
    path = tmp_path / "first_try.toml"
    assert flowdebt(["drill", "--from", "pump_stop", "--to", str(path)]) == 0
    assert "wrote" in capsys.readouterr().err
    assert flowdebt(["drill", "--try", str(path)]) == 0
    told = capsys.readouterr().out
    assert told.startswith("case 1 of ")
    assert "call" in told
    assert flowdebt(["drill", "--from", "pump_stop", "--to", str(path)]) == 2
