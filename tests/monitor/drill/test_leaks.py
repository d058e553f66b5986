"""Nothing a trainee's viewer is sent before the debriefing tells the fault.

Two proofs over every case of every lesson. Until the fault begins, every byte is the same as on the
same drive without it. All the way to the end, no byte names what is wrong, or what the lesson says
of it afterwards, but in the list of calls, which is the same in every lesson.
"""

import json
from dataclasses import replace
from functools import cache
from math import inf
from typing import Any

import pytest

from monitor.attach.drilling import Brief
from monitor.attach.protocol import Command, Frame, Hello, decode
from monitor.drill.drive import Drive
from monitor.drill.trainee import ACTS, CALL_CHOICES
from monitor.drill.view import DONE, EVIDENCE
from rules.step.state import FINDING_NAMES
from simulator.drill.calls import CALLS
from simulator.drill.faults_in_words import check_first, what_goes_wrong
from simulator.drill.lesson import Case, Lesson, load_lesson, shipped_lessons
from simulator.drill.words import Failsafe
from simulator.plant import FaultKind
from tests.kit.drills import ClassLink, School

SEED = 5
LESSONS = tuple(shipped_lessons())
CASES = [(name, i) for name in LESSONS for i in range(len(load_lesson(name).cases))]


def class_of(lesson: Lesson, case: Case, *, faults: bool = True) -> tuple[School, ClassLink]:
    """Return a class whose drive has this case, and its one trainee; nothing is reckoned after."""
    school = School(lesson.name, seed=SEED)
    plan = lesson.staged(case, 0.5 * lesson.onset_within_s, SEED)
    if not faults:
        plan = replace(plan, faults=tuple(replace(one, at_s=inf) for one in plan.faults))
    school.drill.drive = Drive(lesson, SEED, plan, case)
    link = school.link("join", "ann")
    link.take_place()
    link.send(Command("begin"))
    school.drill.along = None
    return school, link


@cache
def healthy(name: str) -> list[bytes]:
    """Return all that is heard of a lesson in which nothing goes wrong."""
    lesson = load_lesson(name)
    school, link = class_of(lesson, lesson.cases[0], faults=False)
    while not school.drill.due:
        school.drill.advance(0.05)
        school.drill.show()
    return link.heard


def onset_s(school: School) -> float:
    """Return when the first fault began; infinite where none did."""
    ride = school.drill.trainees["ann"].ride
    assert ride is not None
    return min((span.begins_s for span in ride.spans), default=inf)


def telling(lesson: Lesson, case: Case) -> set[str]:
    """Return all that would tell what is wrong in a case, in small letters."""
    told = {lesson.goal, case.debrief}
    told |= {kind.word for kind in FaultKind} - set(FINDING_NAMES)
    told |= {what_goes_wrong(fault.kind, fault.channel) for fault in case.faults}
    told |= {call.words for call in CALLS}
    if "advice" not in lesson.shows or lesson.failsafe is Failsafe.OFF:
        told |= {check_first(fault.kind, fault.channel) for fault in case.faults}
    return {text.lower() for text in told}


def without_choices(line: bytes) -> str:
    """Return a line in small letters, without the equal list of choices in a brief."""
    said: dict[str, Any] = json.loads(line)
    if said["kind"] == "brief":
        assert said.pop("calls") == [{"word": c.word, "words": c.words} for c in CALL_CHOICES]
        assert said.pop("acts") == [{"word": c.word, "words": c.words} for c in ACTS]
    return json.dumps(said).lower()


@pytest.mark.parametrize(("name", "number"), CASES)
def test_no_byte_tells_the_fault(name: str, number: int) -> None:
    """Of any case of any lesson."""
    lesson = load_lesson(name)
    case = lesson.cases[number]
    school, link = class_of(lesson, case)
    alike = len(link.heard)
    while not school.drill.due:
        school.drill.advance(0.05)
        school.drill.show()
        if onset_s(school) == inf:
            alike = len(link.heard)
    assert link.heard[:alike] == healthy(name)[:alike]
    assert alike > 20
    heard = "\n".join(map(without_choices, link.heard))
    assert not [text for text in telling(lesson, case) if text in heard]
    check_held_back(lesson, link)


def check_held_back(lesson: Lesson, link: ClassLink) -> None:
    """Check that frames hold what the lesson shows, and no more."""
    shows = lesson.shows if lesson.failsafe is not Failsafe.OFF else frozenset()
    frames = link.told(Frame)
    assert len(frames) > 20
    for frame in frames:
        head = frame.decision
        known = {name for name in head.__struct_fields__ if getattr(head, name) is not None}
        allowed = {"time_s", "commanded_ml_min", "delivered_ml_min", "boost_kpa"}
        if lesson.failsafe is not Failsafe.OFF:
            allowed |= set(DONE)
        if "evidence" in shows:
            allowed |= set(EVIDENCE)
        assert known <= allowed
        if "evidence" not in shows:
            assert set(frame.health.values()) <= {"healthy", "absent"}
        if "causes" not in shows:
            assert not frame.causes
        if "advice" not in shows:
            assert not any(cause.check_first for cause in frame.causes)
        assert frame.recording is None
        assert not frame.outputs
    told = {json.loads(line)["kind"] for line in link.heard}
    assert told <= {"hello", "brief", "drill", "frame", "event", "alarm", "causes", "notice"}
    if "events" not in shows:
        assert not any(b'"kind":"event"' in line for line in link.heard)
    if lesson.failsafe is Failsafe.OFF:
        assert not any(frame.alarms or frame.status for frame in frames)
        assert not any(b'"kind":"alarm"' in line for line in link.heard)


@pytest.mark.parametrize("name", LESSONS)
def test_every_case_of_a_lesson_greets_alike(name: str) -> None:
    """Rig, source and brief say the road; nothing says which case it is, nor the file."""
    lesson = load_lesson(name)
    greetings = set()
    for case in lesson.cases:
        _, link = class_of(lesson, case)
        greetings.add(tuple(link.heard[:3]))
        hello = link.newest(Hello)
        assert (hello.source, hello.session) == ("drill", None)
    assert len(greetings) == 1
    assert isinstance(decode(link.heard[1]), Brief)
