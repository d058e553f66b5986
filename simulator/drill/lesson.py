"""Lesson files: a drive, what may go wrong in it, and what the trainee is told; strict TOML."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import numpy as np
from msgspec import Meta

from simulator.drill.calls import CALL_WORDS, NOTHING_WRONG, call_of, calls_near
from simulator.drill.words import Failsafe
from simulator.plant import Fault, Scenario, Step
from simulator.plant.noise import generator
from simulator.rig import load_rig
from simulator.rig.tables import Key, fact_of, many, table
from simulator.scenario import (
    CONDITIONS,
    FAULT,
    STEP,
    check_against_rig,
    check_drive,
    check_faults,
    load_scenario,
    rig_path,
    shipped_scenarios,
)
from simulator.strict import (
    MISSING,
    BadInput,
    Document,
    KeyPath,
    PlainText,
    Prose,
    Seconds,
    clean,
    nearest,
    read_text,
)

# What a lesson may show beside the readings: the guard's log of events, its evidence and debt, the
# likely causes, what to check first.
SHOWN: Final = ("events", "evidence", "causes", "advice")
_SHIPPED: Final = Path(__file__).parent / "lessons"
_STREAM: Final = 4  # of a seed; plant and population have those below
_DRIVEN: Final = ("rig", "drive", *(key.name for key in CONDITIONS))


@dataclass(frozen=True, slots=True)
class Case:
    """One truth that a lesson may hold.

    Attributes:
        debrief: What the trainee is told afterwards.
        faults: What goes wrong, possibly nothing.
        call: The right call, one of ``CALL_WORDS``.
        weight: How often it is picked, as against the others' weights, more than 0.
    """

    debrief: str
    faults: tuple[Fault, ...] = ()
    call: str = ""
    weight: float = 1.0

    @property
    def half_right(self) -> frozenset[str]:
        """The calls that are half right."""
        return calls_near(self.faults, self.call)


@dataclass(frozen=True, slots=True)
class Lesson:
    """A lesson, read and checked.

    Attributes:
        name: The file's name, which says nothing of a fault.
        number: Its place in the course, from 1; 0: not of the course.
        title: What it is called.
        brief: What the trainee is told before.
        goal: What is to be learned; told afterwards.
        scenario: The car and its drive, without a fault.
        cases: What the truth may be, at least one.
        failsafe: Whether the guard's orders reach the car.
        late_by_s: How much later, seconds; 0 unless they are late.
        onset_within_s: The faults begin up to so much later than they say, seconds.
        answer_within_s: A call so soon after the first sign counts in full, seconds.
        shows: Which of ``SHOWN`` the trainee sees.
    """

    name: str
    number: int
    title: str
    brief: str
    goal: str
    scenario: Scenario
    cases: tuple[Case, ...]
    failsafe: Failsafe = Failsafe.ON
    late_by_s: float = 0.0
    onset_within_s: float = 0.0
    answer_within_s: float = 4.0
    shows: frozenset[str] = frozenset()

    def ride_plan(self, seed: int) -> tuple[Scenario, Case]:
        """Return what a seed makes of the lesson: the drive with its faults timed, and the truth.

        Args:
            seed: 0 or more.
        """
        source = generator(seed, _STREAM)
        picked, later = source.random(2)
        shares = np.cumsum([case.weight for case in self.cases])
        case = self.cases[int(np.searchsorted(shares, picked * shares[-1], side="right"))]
        return self.staged(case, later * self.onset_within_s, seed), case

    def staged(self, case: Case, later_s: float, seed: int) -> Scenario:
        """Return the drive of one case, its faults so much later, seconds."""
        step_s = 1.0 / self.scenario.rate_hz
        later_s = round(later_s / step_s) * step_s
        faults = tuple(replace(fault, at_s=fault.at_s + later_s) for fault in case.faults)
        return replace(self.scenario, faults=faults, seed=seed)


@dataclass(frozen=True, slots=True)
class _File:
    """A lesson as it is written."""

    title: str
    brief: str
    goal: str
    cases: tuple[Case, ...]
    scenario: str = ""
    rig: str = ""
    drive: tuple[Step, ...] = ()
    rate_hz: float = 100.0
    tank_ml: float = float("inf")
    peak_boost_kpa: float = float("nan")
    ambient_c: float = 24.0
    failsafe: Failsafe = Failsafe.ON
    late_by_s: float = 0.0
    onset_within_s: float = 0.0
    answer_within_s: float = 4.0
    shows: tuple[str, ...] = ()


_CASE: Final = table(
    Case,
    Key("debrief", Prose),
    Key("faults", many(FAULT, most=8)),
    Key("call", Literal[CALL_WORDS]),
    Key("weight", Annotated[float, Meta(gt=0.0, le=1000.0)]),
)
_LESSON: Final = table(
    _File,
    Key("title", PlainText),
    Key("brief", Prose),
    Key("goal", Prose),
    Key("cases", many(_CASE, 1, 32)),
    Key("scenario", PlainText),
    Key("rig", PlainText),
    Key("drive", many(STEP, most=2000)),
    *CONDITIONS,
    Key("failsafe", Literal[tuple(one.value for one in Failsafe)]),
    Key("late_by", Seconds.within(0.0, 60.0, "500 ms"), "late_by_s"),
    Key("onset_within", Seconds.within(0.0, 600.0, "2 s"), "onset_within_s"),
    Key("answer_within", Seconds.within(0.5, 600.0, "4 s"), "answer_within_s"),
    Key("shows", many(Literal[SHOWN], most=len(SHOWN))),
)


def shipped_lessons() -> dict[str, Path]:
    """Return the shipped lessons: name to file, in the order of the course.

    A file's name is ``NUMBER_NAME.toml``.
    """
    return {path.stem.partition("_")[2]: path for path in sorted(_SHIPPED.glob("*.toml"))}


def load_lesson(name_or_path: str | Path) -> Lesson:
    """Read a shipped lesson by its name or its number in the course, or any lesson file.

    Args:
        name_or_path: A name of ``shipped_lessons()``, its number, or the path of a TOML file.

    Raises:
        BadInput: None of these, or unreadable, or anything in it (or in its rig) is wrong.
    """
    shipped = shipped_lessons()
    asked = str(name_or_path)
    if asked.isdecimal() and 1 <= int(asked) <= len(shipped):
        asked = list(shipped)[int(asked) - 1]
    path = shipped.get(asked, Path(name_or_path))
    if asked not in shipped and path.suffix != ".toml":
        raise BadInput(
            f'found lesson "{clean(asked)}", expected a TOML file, or a shipped lesson by number '
            f"or name, such as {nearest(asked, list(shipped), 'flowdebt drill --list')}"
        )
    text = read_text(path)
    if asked in shipped:
        return lesson_from_text(text, str(path), asked, list(shipped).index(asked) + 1)
    return lesson_from_text(text, str(path), clean(path.stem), beside=path.parent)


def lesson_from_text(
    text: str, file_name: str, name: str, number: int = 0, beside: Path | None = None
) -> Lesson:
    """Read a lesson from a file's text.

    Args:
        text: The text.
        file_name: How messages call the file.
        name: The lesson's name.
        number: Its place in the course; 0: not of the course.
        beside: Folder from which a relative path of a rig counts; None: the current one.

    Raises:
        BadInput: Anything in it (or in its rig) is missing, unknown or wrong.
    """
    document = Document.parse(text, file_name)
    file: _File = fact_of(document.decode(_LESSON))
    scenario = _scenario(document, file, name, beside)
    for index, case in enumerate(file.cases):
        _check_case(document, ("cases", index), case, file.onset_within_s, scenario)
    if (file.failsafe is Failsafe.LATE) != (file.late_by_s > 0.0):
        expected = "more than 0 s where failsafe is late, and only there"
        raise document.wrong(("late_by",), expected, None if file.late_by_s else MISSING)
    return Lesson(
        name=name,
        number=number,
        title=file.title,
        brief=file.brief,
        goal=file.goal,
        scenario=scenario,
        cases=tuple(_called(case) for case in file.cases),
        failsafe=file.failsafe,
        late_by_s=file.late_by_s,
        onset_within_s=file.onset_within_s,
        answer_within_s=file.answer_within_s,
        shows=frozenset(file.shows),
    )


def _scenario(document: Document, file: _File, name: str, beside: Path | None) -> Scenario:
    """Return the lesson's drive, checked, with no fault."""
    if file.scenario:
        for key in _DRIVEN:
            if document.raw((key,)) is not None:
                raise document.wrong((key,), f'no {key} beside scenario = "..."')
        path = Path(file.scenario)
        if file.scenario not in (shipped := shipped_scenarios()):
            if path.suffix != ".toml":
                near = nearest(file.scenario, list(shipped), "flowdebt simulate --list")
                raise document.wrong(("scenario",), f"a TOML file or a shipped scenario: {near}")
            path = (beside or Path()) / path
        found = load_scenario(path)
        return replace(found, name=name, teaches=file.goal, faults=())
    if not file.drive:
        raise document.wrong(("drive",), "at least one step, or a scenario", MISSING)
    if not file.rig:
        raise document.wrong(("rig",), "text", MISSING)
    rig: Any = None  # read once the rest is right
    scenario = Scenario(
        name=name,
        teaches=file.goal,
        rig=rig,
        drive=file.drive,
        rate_hz=file.rate_hz,
        tank_ml=file.tank_ml,
        peak_boost_kpa=file.peak_boost_kpa,
        ambient_c=file.ambient_c,
    )
    check_drive(document, scenario)
    rig = load_rig(rig_path(document, file.rig, beside)).rig
    check_against_rig(document, (), file.drive, (), rig)
    return replace(scenario, rig=rig)


def _check_case(
    document: Document, path: KeyPath, case: Case, within_s: float, scenario: Scenario
) -> None:
    check_faults(document, path, case.faults, scenario.duration_s - within_s)
    check_against_rig(document, path, (), case.faults, scenario.rig)
    calls = {call_of(fault) for fault in case.faults} or {NOTHING_WRONG}
    if not case.call and len(calls) > 1:
        raise document.wrong((*path, "call"), f"one of {', '.join(sorted(calls))}", MISSING)
    if case.call and case.call not in calls | {NOTHING_WRONG}:
        raise document.wrong((*path, "call"), " or ".join(sorted(calls | {NOTHING_WRONG})))


def _called(case: Case) -> Case:
    """Return a case with its call, which follows from its faults where it isn't written."""
    if case.call:
        return case
    return replace(case, call=call_of(case.faults[0]) if case.faults else NOTHING_WRONG)
