"""Lesson files: what ships is whole and says nothing of its faults; what is wrong is told."""

import re
from math import isnan
from pathlib import Path

import pytest

from simulator.drill.calls import CALL_WORDS, NOTHING_WRONG
from simulator.drill.lesson import Lesson, lesson_from_text, load_lesson, shipped_lessons
from simulator.drill.ride import Failsafe
from simulator.plant import FaultKind
from simulator.strict import BadInput

WRITTEN = """
title = "A short road"
brief = "One pull."
goal = "To see it."
rig = "brindle"
onset_within = "1 s"

[[drive]]
do = "cruise"
for = "2 s"
gear = 2

[[drive]]
do = "pull"
for = "4 s"
gear = 2

[[cases]]
debrief = "The pump stopped."
weight = 3

[[cases.faults]]
kind = "pump_stop"
at = "4 s"

[[cases]]
debrief = "Nothing was wrong."
"""


def read(text: str) -> Lesson:
    """Return the lesson of a text."""
    return lesson_from_text(text, "road.toml", "road")


@pytest.mark.parametrize("name", shipped_lessons())
def test_what_ships_is_whole(name: str) -> None:
    """It can be read by its name and by its number, and its faults begin within the drive."""
    lesson = load_lesson(name)
    assert load_lesson(str(lesson.number)) == lesson
    assert lesson.name == name
    for case in lesson.cases:
        assert case.call in CALL_WORDS
        assert not case.faults or case.call in {c.call for c in lesson.cases}
    assert sum(1 for _ in shipped_lessons()) >= lesson.number >= 1


@pytest.mark.parametrize("name", shipped_lessons())
def test_nothing_told_before_names_a_fault(name: str) -> None:
    """Neither name nor title nor brief has a word of a kind of fault."""
    lesson = load_lesson(name)
    told = f"{lesson.name} {lesson.title} {lesson.brief}".lower()
    # Words that stand in fault names, but for those that any brief may need.
    usual = {"after", "at", "before", "orders", "pump", "second", "tank", "wrong"}
    words = {part for kind in FaultKind for part in kind.word.split("_")} - usual
    assert words.isdisjoint(re.findall("[a-z]+", told))


def test_a_seed_picks_the_case_and_moves_its_onset() -> None:
    """As often as the weights say; within the time, on a sample; the same seed the same plan."""
    lesson = read(WRITTEN)
    plans = [lesson.ride_plan(seed) for seed in range(400)]
    assert plans[7] == lesson.ride_plan(7)
    faulty = [scenario for scenario, case in plans if case.faults]
    assert 260 <= len(faulty) <= 340
    onsets = [scenario.faults[0].at_s for scenario in faulty]
    assert all(4.0 <= onset <= 5.0 for onset in onsets)
    assert len(set(onsets)) > 50
    assert all(abs(onset * 100.0 - round(onset * 100.0)) < 1e-6 for onset in onsets)


def test_defaults() -> None:
    """What isn't written: the failsafe on, nothing shown, the call that follows from the fault."""
    lesson = read(WRITTEN)
    assert (lesson.failsafe, lesson.shows, lesson.number) == (Failsafe.ON, frozenset(), 0)
    assert [case.call for case in lesson.cases] == ["pump", NOTHING_WRONG]
    assert isnan(lesson.scenario.peak_boost_kpa)
    assert lesson.scenario.faults == ()


def test_a_scenario_may_give_the_drive(tmp_path: Path) -> None:
    """A shipped one, without its faults and its name; or one beside the lesson."""
    head, _, cases = WRITTEN.partition('rig = "brindle"')
    text = f'{head}scenario = "pump_stop"\n{cases[cases.index("[[cases]]") :]}'
    lesson = read(text)
    assert lesson.scenario.duration_s == 24.0
    assert (lesson.scenario.faults, lesson.scenario.name) == ((), "road")
    scenario = tmp_path / "drive.toml"
    scenario.write_text(
        'name = "d"\nteaches = "t"\nrig = "brindle"\n[[drive]]\ndo = "idle"\nfor = "9 s"\n',
        encoding="utf-8",
    )
    path = tmp_path / "mine.toml"
    path.write_text(text.replace('"pump_stop"\n', '"drive.toml"\n', 1), encoding="utf-8")
    mine = load_lesson(path)
    assert (mine.name, mine.number, mine.scenario.duration_s) == ("mine", 0, 9.0)


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('brief = "One pull."', 'brief = ""', "road.toml:3: brief: found"),
        ('rig = "brindle"', "", "road.toml:1: rig: missing"),
        ('rig = "brindle"', 'rig = "brindel"', "road.toml:5: rig: found"),
        ('rig = "brindle"', 'rig = "brindle"\nscenario = "pump_stop"', "no rig beside scenario"),
        ('at = "4 s"', 'at = "5.5 s"', 'cases[0].faults[0].at: found "5.5 s", expected less than'),
        ('at = "4 s"', 'at = "4 s"\nchannel = "line_kpa"', "expected no channel"),
        ('at = "4 s"', 'at = "4 s"\ngear = 8', "faults[0].gear: found 8"),
        ("weight = 3", 'call = "clog"', 'cases[0].call: found "clog", expected nothing_wrong or'),
        ("weight = 3", "weight = 0", "cases[0].weight: found 0"),
        ("onset_within", 'failsafe = "late"\nonset_within', "late_by: missing"),
        ("onset_within", 'late_by = "1 s"\nonset_within', 'late_by: found "1 s"'),
        ("onset_within", 'shows = ["all"]\nonset_within', 'shows[0]: found "all"'),
        ("gear = 2\n\n[[cases]]", "gear = 7\n\n[[cases]]", "drive[1].gear: found 7"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(old: str, new: str, line: str) -> None:
    """One line that names file, line and key."""
    assert old in WRITTEN
    with pytest.raises(BadInput) as caught:
        read(WRITTEN.replace(old, new, 1))
    assert line in str(caught.value)
    assert "\n" not in str(caught.value)


def test_two_faults_of_different_calls_want_one_written() -> None:
    """Which of them is the right call is the author's to say."""
    both = WRITTEN.replace('at = "4 s"', 'at = "4 s"\n[[cases.faults]]\nkind = "wrong_mix"')
    with pytest.raises(BadInput, match=r"\[0\]\.call: missing, expected one of pump, wrong_mix"):
        read(both)
    lesson = read(both.replace("weight = 3", 'call = "wrong_mix"'))
    assert lesson.cases[0].half_right == {"pump", "split", "engine", "tank_or_air"}


def test_an_unknown_lesson_is_told_what_there_is() -> None:
    """The nearest names, and where all are listed."""
    with pytest.raises(BadInput, match=r'found lesson "first_pull", expected .* first_pulls'):
        load_lesson("first_pull")
