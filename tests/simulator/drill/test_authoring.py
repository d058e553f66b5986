"""A lesson drawn up from a scenario keeps drive and faults."""

from dataclasses import replace

import pytest

from simulator.drill.authoring import Draft, lesson_of, lesson_text, of_scenario
from simulator.drill.lesson import load_lesson, shipped_lessons
from simulator.scenario import load_scenario_and_rig, shipped_scenarios


@pytest.mark.parametrize("name", shipped_scenarios())
def test_a_scenario_s_drive_and_faults_are_kept(name: str) -> None:
    """Read back, the text gives the same drive, car and faults, whatever they are."""
    scenario, rig_file = load_scenario_and_rig(name)
    rig_name = next(
        word
        for word in ("brindle", "orrinby", "wexmoor", "quarrick", "tarnwick", "ullesby")
        if word in rig_file.file_name
    )
    lesson = lesson_of(lesson_text(of_scenario(scenario, rig_name)), "road")
    bare = replace(scenario, name="", teaches="", faults=(), seed=1)
    assert repr(replace(lesson.scenario, name="", teaches="", seed=1)) == repr(bare)
    if scenario.faults:
        assert repr(lesson.cases[0].faults) == repr(scenario.faults)
    assert lesson.cases[-1].faults == ()


def test_text_of_others_stands_between_its_quotes() -> None:
    """No remark, path or sentence can end the text it stands in."""
    scenario, _ = load_scenario_and_rig("pump_stop")
    awkward = 'a """ quote, a \\ and "more"'
    text = lesson_text(Draft("log", "brindle", scenario, awkward))
    assert lesson_of(text, "road").goal == "a ''' quote, a / and 'more'"


def test_shipped_lessons_need_no_scenario() -> None:
    """Each holds its own drive, so that a scenario can change without it."""
    assert all(load_lesson(name).scenario.drive for name in shipped_lessons())
