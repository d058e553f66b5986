"""A class under a clock of its own: what trainees and instructor do changes what happens."""

from pathlib import Path

import msgspec
import pytest

from monitor.attach.drilling import (
    MOST_RIDES,
    Brief,
    ClassState,
    Debriefing,
    DrillState,
    Phase,
)
from monitor.attach.protocol import Answer, Bye, Command, Frame, Hello, decode
from monitor.drill.drill_class import MOST_MARKS
from monitor.drill.results import read_results
from monitor.drill.trainee import CALL_CHOICES
from rules.facts import Action
from simulator.drill.words import Act
from simulator.strict import BadInput
from tests.kit.drills import ClassLink, School, short_lesson

BEGIN = Command("begin")


def call_words(word: str) -> str:
    """Return a call's words."""
    return next(choice.words for choice in CALL_CHOICES if choice.word == word)


def refusals(link: ClassLink) -> list[str]:
    """Return what was refused."""
    assert not any(answer.done for answer in link.told(Answer))
    return [answer.text for answer in link.told(Answer)]


def seated(school: School, *aliases: str) -> list[ClassLink]:
    """Return links of trainees who have a place; an empty alias is the instructor."""
    links = [school.link("join" if alias else "instruct", alias) for alias in aliases]
    for link in links:
        link.take_place()
    return links


@pytest.fixture
def alone(tmp_path: Path) -> tuple[School, ClassLink]:
    """A class of one trainee, who begins."""
    school = School(short_lesson(tmp_path))
    return school, seated(school, "ann")[0]


def test_a_trainee_is_greeted_briefed_and_told_how_it_stands(
    alone: tuple[School, ClassLink],
) -> None:
    """In this order; nothing runs before it is begun."""
    school, link = alone
    school.advance(1.0)
    assert [type(decode(line)) for line in link.heard] == [Hello, Brief, DrillState]
    assert link.newest(DrillState) == DrillState(0.0, Phase.WAITING)
    assert link.newest(Hello).source == "drill"
    assert link.newest(Brief).may_begin


def test_a_right_call_early_and_a_lift_spare_the_engine(alone: tuple[School, ClassLink]) -> None:
    """What the trainee does changes what happens; the debriefing tells the truth after."""
    school, link = alone
    link.send(BEGIN)
    school.advance(3.2)
    link.send(Command("call", what="pump"))
    link.send(Command("act", what="lift"))
    school.drive_out()
    state, found = link.newest(DrillState), link.newest(Debriefing)
    assert (state.phase, state.call, state.act) == (Phase.OVER, "pump", Act.LIFT)
    assert found.onset_s == pytest.approx(3.0, abs=0.05)
    assert "pump stops" in found.truth
    assert found.called == found.right_call
    assert found.verdict == "right"
    cost = {outcome.who: outcome for outcome in found.outcomes}
    assert cost["driven"].harm < cost["nobody"].harm
    assert cost["driven"].work_kj < cost["no_fault"].work_kj
    assert len(found.time_s) == len(found.harm["driven"])
    assert link.heard[-1] is not None
    assert not refusals(link)


def test_a_call_before_the_fault_began_is_told_as_a_guess(alone: tuple[School, ClassLink]) -> None:
    """Else it would read: you called the pump, which is wrong; the pump would be right."""
    school, link = alone
    link.send(BEGIN)
    school.advance(2.0)
    link.send(Command("call", what="pump"))
    school.advance(1.5)
    link.send(Command("end_drill"))
    school.debrief()
    found = link.newest(Debriefing)
    assert found.verdict == "wrong"
    assert found.called == f"{call_words('pump')} (1.01 s before it began, so a guess)"


def test_where_no_fault_began_nothing_was_wrong(alone: tuple[School, ClassLink]) -> None:
    """The drive was ended before: to have said so is right."""
    school, link = alone
    link.send(BEGIN)
    school.advance(2.0)
    link.send(Command("call", what="nothing_wrong"))
    link.send(Command("end_drill"))
    school.debrief()
    found = link.newest(Debriefing)
    assert (found.verdict, found.onset_s) == ("right", None)
    assert found.called == found.right_call == call_words("nothing_wrong")
    assert "never began" in found.text


def test_a_failsafe_that_is_off_neither_acts_nor_shows(tmp_path: Path) -> None:
    """And one that is on acts without the trainee."""
    harm = {}
    for failsafe in ("on", "off"):
        school = School(short_lesson(tmp_path, failsafe, failsafe=failsafe))
        (link,) = seated(school, "ann")
        link.send(BEGIN)
        school.drive_out()
        actions = {frame.decision.action for frame in link.told(Frame)}
        worst = max((action for action in actions if action is not None), default=None)
        harm[failsafe] = {o.who: o.harm for o in link.newest(Debriefing).outcomes}
        assert worst == (Action.CUT_BOOST if failsafe == "on" else None)
    assert harm["on"]["driven"] == harm["on"]["guard"] == harm["off"]["guard"]
    assert harm["off"]["driven"] == harm["off"]["nobody"] > harm["on"]["driven"]


def test_a_late_failsafe_is_shown_as_late_as_it_acts(tmp_path: Path) -> None:
    """Neither the action nor its alarm is there before."""
    first_s = {}
    for late_s in (0.0, 1.0):
        how = {"failsafe": "late", "more": 'late_by = "1 s"'} if late_s else {}
        school = School(short_lesson(tmp_path, f"late_{late_s:.0f}", **how))
        (link,) = seated(school, "ann")
        link.send(BEGIN)
        school.drive_out()
        frames = [f for f in link.told(Frame) if f.decision.action and f.decision.time_s]
        told = [f for f in link.told(Frame) if f.alarms]
        first_s[late_s] = frames[0].decision.time_s or 0.0
        assert abs((told[0].decision.time_s or 0.0) - first_s[late_s]) < 0.1
    assert first_s[1.0] == pytest.approx(first_s[0.0] + 1.0, abs=0.11)


def test_two_trainees_on_one_drive_have_private_answers(tmp_path: Path) -> None:
    """Same fault, same noise; each car goes its own way, and neither hears of the other."""
    school = School(short_lesson(tmp_path, failsafe="off"))
    ann, ben = seated(school, "ann", "ben")
    ann.send(BEGIN)
    school.advance(3.2)
    frames = [[f.rows for f in link.told(Frame)] for link in (ann, ben)]
    assert frames[0] == frames[1] != []
    ann.send(Command("act", what="lift"))
    ann.send(Command("call", what="pump"))
    ben.send(Command("call", what="clog"))
    school.drive_out()
    for link, call, other in ((ann, b'"pump"', b'"clog"'), (ben, b'"clog"', b'"pump"')):
        lines = [line for line in link.heard if b'"kind":"drill"' in line]
        assert any(call in line for line in lines)
        assert not any(other in line for line in link.heard if b'"brief"' not in line)
    harm = [link.newest(Debriefing).outcomes[0].harm for link in (ann, ben)]
    assert harm[0] < harm[1]


def test_the_instructor_sees_the_truth_and_every_answer(tmp_path: Path) -> None:
    """Trainees may not begin in a class that has an instructor."""
    school = School(short_lesson(tmp_path), instructed=True)
    teacher, ann = seated(school, "", "ann")
    ann.send(BEGIN)
    assert "instructor" in refusals(ann)[0]
    assert ann.newest(DrillState).phase is Phase.WAITING
    teacher.send(BEGIN)
    school.advance(3.5)
    ann.send(Command("call", what="flow_sensor"))
    school.advance(0.5)
    state = teacher.newest(ClassState)
    assert state.faults[0].active
    assert "pump" in state.faults[0].words
    (row,) = state.rides
    assert (row.alias, row.attached, row.call) == ("ann", True, "flow_sensor")
    assert row.guard_action == "cut_boost"
    assert not refusals(teacher)


def test_an_injected_fault_acts_at_once_grows_and_is_cleared(tmp_path: Path) -> None:
    """In every ride, and in what rides are compared with."""
    school = School(short_lesson(tmp_path), instructed=True)
    teacher, ann = seated(school, "", "ann")
    teacher.send(BEGIN)
    school.advance(1.5)
    teacher.send(Command("inject", what="clogged_nozzle", amount=0.5))
    teacher.send(Command("inject", what="sensor_stuck", channel="line_kpa"))
    school.advance(0.2)
    first, second, third = teacher.newest(ClassState).faults
    assert (first.active, second.active, second.number) == (False, True, 1)
    assert second.begins_s == pytest.approx(1.5, abs=0.02)
    assert "line pressure" in third.words
    teacher.send(Command("escalate", number=1, amount=0.9))
    school.advance(0.2)
    assert teacher.newest(ClassState).faults[1].amount == 0.9
    teacher.send(Command("clear", number=1))
    teacher.send(Command("clear", number=2))
    school.advance(0.2)
    assert [fault.active for fault in teacher.newest(ClassState).faults] == [False] * 3
    school.drive_out()
    found = ann.newest(Debriefing)
    assert "nozzle" in found.truth
    assert found.right_call == call_words("clog")
    assert "instructor" in found.text
    cost = {o.who: o.harm for o in found.outcomes}
    assert cost["driven"] == cost["guard"]


def test_the_truth_is_what_stands_now(tmp_path: Path) -> None:
    """The lesson's own words, until an instructor changes what is wrong; rewound, they are back."""
    school = School(short_lesson(tmp_path), instructed=True)
    teacher, _ = seated(school, "", "ann")
    teacher.send(BEGIN)
    school.advance(1.5)
    lesson = school.drill.drive.case.debrief
    assert teacher.newest(ClassState).truth == lesson
    teacher.send(Command("inject", what="empty_tank"))
    school.advance(0.2)
    assert teacher.newest(ClassState).truth == (
        "now the tank runs out; to come: the pump stops. "
        f"Right to call: {call_words('tank_or_air')}."
    )
    teacher.send(Command("clear", number=0))
    teacher.send(Command("clear", number=1))
    school.advance(0.2)
    state = teacher.newest(ClassState)
    assert [fault.cleared for fault in state.faults] == [True, False]
    assert state.truth.startswith("now nothing is wrong. Right to call: tank")
    teacher.send(Command("rewind", what="start"))
    assert teacher.newest(ClassState).truth == lesson
    teacher.send(Command("end_drill"))
    assert "never began" in teacher.newest(ClassState).truth


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (Command("inject", what="gremlins"), 'found fault "gremlins"'),
        (Command("inject", what="pump_stop", channel="boost_kpa"), "found a channel"),
        (Command("inject", what="sensor_stuck", channel="oil"), 'found channel "oil"'),
        (Command("inject", what="pump_fade", amount=1.5), "an amount of 1.5"),
        (Command("inject", what="pump_fade", ramp_s=-1.0), "a ramp of -1 s"),
        (Command("inject", what="pump_fade", amount=float("nan")), "an amount of nan"),
        (Command("escalate", number=7, amount=0.5), "found fault 7"),
        (Command("clear", number=7), "found fault 7"),
        (Command("rewind", what="lunch"), 'found mark "lunch"'),
        (Command("mark", what="start"), 'found a mark "start"'),
        (Command("go_on"), "no drive that is paused"),
        (BEGIN, "a drive under way"),
        (Command("next"), "a drive under way"),
        (Command("acknowledge"), "no such command"),
        (Command("\x1b[2J"), "no such command"),
    ],
)
def test_what_an_instructor_may_not_do_is_refused(
    tmp_path: Path, command: Command, words: str
) -> None:
    """With what was found and what was expected; nothing has changed."""
    school = School(short_lesson(tmp_path), instructed=True)
    teacher, _ = seated(school, "", "ann")
    teacher.send(BEGIN)
    school.advance(0.5)
    before = teacher.newest(ClassState)
    teacher.send(command)
    (refused,) = refusals(teacher)
    assert words in refused
    assert refused.isprintable()
    assert teacher.newest(ClassState) == before


def test_a_drive_pauses_and_is_rewound_to_the_bit(tmp_path: Path) -> None:
    """From a mark the same frames come again; a call made after it is gone."""
    school = School(short_lesson(tmp_path), instructed=True)
    teacher, ann = seated(school, "", "ann")
    teacher.send(BEGIN)
    school.advance(2.5)
    teacher.send(Command("mark", what="before"))
    school.advance(1.5)
    once = [row for frame in ann.told(Frame) for row in frame.rows if (row[0] or 0.0) > 2.5]
    ann.send(Command("call", what="clog"))
    teacher.send(Command("pause"))
    paused = ann.newest(DrillState)
    assert paused.phase is Phase.PAUSED
    school.advance(1.0)
    assert ann.newest(DrillState) == paused
    teacher.send(Command("rewind", what="before"))
    greeted = [type(decode(line)) for line in ann.heard[-4:]]
    assert greeted == [Hello, Brief, DrillState, Frame]  # nothing moves: the car shows as it was
    assert ann.newest(Frame).decision.time_s == pytest.approx(2.5, abs=0.02)
    state = ann.newest(DrillState)
    assert (state.phase, state.call) == (Phase.PAUSED, None)
    assert state.time_s == pytest.approx(2.5, abs=0.02)
    hello = ann.newest(Hello)
    assert hello.history[-1][0] == pytest.approx(2.5, abs=0.02)
    since = len(ann.heard)
    teacher.send(Command("go_on"))
    school.advance(1.5)
    frames = [m for line in ann.heard[since:] if isinstance(m := decode(line), Frame)]
    again = [row for frame in frames for row in frame.rows if (row[0] or 0.0) > 2.5]
    both = min(len(once), len(again))
    assert both > 140
    assert again[:both] == once[:both]
    teacher.send(Command("end_drill"))
    school.debrief()
    assert ann.newest(Debriefing).called == ""
    teacher.send(Command("rewind", what="start"))
    assert ann.newest(DrillState).phase is Phase.PAUSED
    assert [mark.name for mark in teacher.newest(ClassState).marks] == ["start"]


def test_marks_and_notes_are_bounded_and_notes_come_after(tmp_path: Path) -> None:
    """What the instructor notes could tell the fault: a trainee reads it in the debriefing."""
    school = School(short_lesson(tmp_path), instructed=True)
    teacher, ann = seated(school, "", "ann")
    teacher.send(BEGIN)
    school.advance(0.1)
    for _ in range(MOST_MARKS + 3):
        teacher.send(Command("mark"))
    assert len(teacher.newest(ClassState).marks) == MOST_MARKS
    teacher.send(Command("note", text="the pump\x1b[2J goes soon"))
    assert not any(b"goes soon" in line for line in ann.heard)
    teacher.send(Command("end_drill"))
    school.debrief()
    (note,) = ann.newest(Debriefing).notes
    assert note.text.isprintable()
    assert "goes soon" in note.text


def test_lessons_follow_each_other_and_a_drive_can_be_had_again(tmp_path: Path) -> None:
    """Again takes the next seed; each greets its viewers anew."""
    first, second = short_lesson(tmp_path, "a"), short_lesson(tmp_path, "b")
    school = School(first, second, results=tmp_path / "kept")
    (link,) = seated(school, "ann")
    link.send(Command("next", what="b"))
    assert link.newest(Brief).may_begin
    link.send(Command("next"))
    assert "last lesson" in refusals(link)[-1]
    link.send(Command("next", what="a"))
    for _ in range(2):
        link.send(BEGIN)
        school.drive_out()
    assert len(link.told(Debriefing)) == 2
    assert len(link.told(Hello)) == 4
    seeds = [(result.lesson, result.seed) for result in read_results(tmp_path / "kept")]
    assert seeds == [("a", 3), ("a", 4)]
    link.send(Command("stop"))
    assert link.newest(Bye).why == "the class was ended"


def test_who_comes_late_joins_in_at_the_next_drive(tmp_path: Path) -> None:
    """And is told nothing of the one under way; who comes back finds the debriefing."""
    school = School(short_lesson(tmp_path))
    (ann,) = seated(school, "ann")
    ann.send(BEGIN)
    school.advance(2.0)
    (late,) = seated(school, "cyd")
    late.send(Command("call", what="pump"))
    assert "no drive under way" in refusals(late)[0]
    school.drive_out()
    assert not late.told(Frame)
    assert not late.told(Debriefing)
    school.unseat(ann)
    (back,) = seated(school, "ann")
    assert back.told(Debriefing) == ann.told(Debriefing)
    late.send(BEGIN)
    school.advance(1.0)
    assert late.told(Frame)


def test_an_alias_is_one_trainee_s(tmp_path: Path) -> None:
    """None, one in use and one too many are refused; control characters are none of it."""
    school = School(short_lesson(tmp_path))
    seated(school, "ann")
    for alias, words in ((" ", "found no alias"), ("ann", "in use"), (" ann\n", "in use")):
        with pytest.raises(BadInput, match=words):
            school.link("join", alias).take_place()
    seated(school, *(f"t{i}" for i in range(MOST_RIDES - 1)))
    with pytest.raises(BadInput, match="expected fewer"):
        school.link("join", "one more").take_place()


def test_who_left_drives_no_more_and_makes_room(tmp_path: Path) -> None:
    """The next drive is of those who are there; with nobody there is none."""
    school = School(short_lesson(tmp_path), instructed=True)
    teacher, ann, ben = seated(school, "", "ann", "ben")
    school.unseat(ben)
    teacher.send(BEGIN)
    school.advance(0.5)
    assert school.drill.trainees["ben"].ride is None
    assert school.drill.trainees["ann"].ride is not None
    teacher.send(Command("end_drill"))
    school.debrief()
    others = seated(school, *(f"t{i}" for i in range(MOST_RIDES - 1)))  # ben's place is theirs
    with pytest.raises(BadInput, match="expected fewer"):
        school.link("join", "one more").take_place()
    for link in (ann, *others):
        school.unseat(link)
    teacher.send(BEGIN)
    assert "found no trainee" in refusals(teacher)[0]


def test_alarms_are_acknowledged_and_that_is_an_answer(alone: tuple[School, ClassLink]) -> None:
    """As at a guard; before there is a reading it is refused."""
    school, link = alone
    link.send(Command("acknowledge"))
    assert "no drive under way" in refusals(link)[0]
    link.send(BEGIN)
    school.advance(4.0)
    assert link.newest(Frame).sounding
    link.send(Command("acknowledge", who="ann"))
    school.advance(0.1)
    assert not link.newest(Frame).sounding
    school.drive_out()
    assert "acknowledge" in [did.do for did in link.newest(Debriefing).did]


def test_a_class_that_cannot_keep_up_slows_down(alone: tuple[School, ClassLink]) -> None:
    """It never jumps: a minute that nobody drove is not made up for."""
    school, link = alone
    link.send(BEGIN)
    school.drill.advance(60.0)
    school.drill.show()
    assert (link.newest(Frame).decision.time_s or 0.0) < 1.0


def test_results_are_kept_by_alias(tmp_path: Path) -> None:
    """One line a ride; where nothing can be kept the drill goes on and the instructor knows."""
    school = School(short_lesson(tmp_path), results=tmp_path / "kept", instructed=True)
    teacher, *_ = seated(school, "", "ann", "ben")
    teacher.send(BEGIN)
    school.drive_out()
    results = read_results(tmp_path / "kept")
    assert [one.alias for one in results] == ["ann", "ben"]
    assert results[0].sign_s is not None
    (file,) = (tmp_path / "kept").iterdir()
    assert teacher.newest(ClassState).results == str(file)
    file.unlink()
    file.mkdir()
    teacher.send(BEGIN)
    school.drive_out()
    assert len(teacher.told(ClassState)[-1].rides) == 2
    assert all(row.score is not None for row in teacher.newest(ClassState).rides)


def test_a_debriefing_is_written_once_where_results_are(tmp_path: Path) -> None:
    """As a page and two pictures, named after alias and drive; only when there is one."""
    school = School(short_lesson(tmp_path), results=tmp_path / "kept")
    (link,) = seated(school, "ann/../x")
    link.send(BEGIN)
    school.advance(0.2)
    link.send(Command("write"))
    link.send(Command("end_drill"))
    link.send(Command("write"))
    link.send(Command("write"))
    assert "no debriefing yet" in refusals(link)[0]
    assert "written already" in refusals(link)[1]
    files = [Path(file) for file in link.newest(Debriefing).files]
    assert [file.name for file in files] == [
        f"ann____x-one_pull-1.{ending}" for ending in ("html", "svg", "png")
    ]
    assert all(file.parent == tmp_path / "kept" and file.stat().st_size > 1000 for file in files)


def test_every_message_comes_in_as_it_went_out(alone: tuple[School, ClassLink]) -> None:
    """Over the wire nothing is lost but what isn't a number."""
    school, link = alone
    link.send(BEGIN)
    school.drive_out()
    for line in link.heard:
        assert msgspec.json.decode(msgspec.json.encode(decode(line))) == msgspec.json.decode(line)
