"""A class of drills: trainees on one drive, each with a car of their own, and the instructor.

It has no clock and no socket: ``advance`` is told how much time has passed. All rides have the
drive's seed, so their noise is the same to the bit, and each goes its own way by what its guard
and trainee do.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

import msgspec

from monitor.attach.drilling import (
    LONGEST_TEXT,
    MOST_RIDES,
    Choice,
    ClassState,
    Debriefing,
    FaultState,
    Mark,
    Note,
    Phase,
)
from monitor.attach.listeners import Tell
from monitor.attach.protocol import FRAME_S, Answer, Command, Message
from monitor.drill.drive import Drive
from monitor.drill.trainee import CALL_CHOICES, Trainee, TraineeMoment, brief_of
from monitor.drill.twins_along import TwinsAlong
from simulator.drill.faults_in_words import what_goes_wrong
from simulator.drill.lesson import load_lesson, shipped_lessons
from simulator.drill.ride import Moment, Ride
from simulator.plant import Fault, FaultKind
from simulator.strict import BadInput, clean

START: Final = "start"
MOST_MARKS: Final = 20
MOST_NOTES: Final = 100
LONGEST_ALIAS: Final = 24
MOST_PLACES: Final = 64  # with those that were left again
LONGEST_RAMP_S: Final = 3600.0
MOST_OWED_S: Final = 0.5  # a class that can't keep up slows down rather than jump
STATE_S: Final = 1.0  # between two states told to a trainee whose drive goes on
CLASS_STATE_S: Final = 0.2  # and to the instructor
_KINDS: Final = {kind.word: kind for kind in FaultKind}


@dataclass(frozen=True)
class _Marked:
    """A class as it was at a moment."""

    time_s: float
    trainees: dict[str, TraineeMoment]
    twins: tuple[Moment, ...]


class DrillClass:
    """A class.

    Args:
        lessons: Names or files of lessons, in their order; at least one.
        pid: The process to tell viewers of.
        seed: Of the first drive; each later one takes the next.
        instructed: An instructor begins and ends drives; else any trainee may.
        speed: Of the drive, times real.
        results: File that results go to, as the instructor is told.

    Attributes:
        trainees: By alias.
        instructed: As given.
        compiled: Whether rides run compiled from the next drive on; the bits are the same.
        drive: The drive that is staged or under way.
        along: What its rides are compared with; None before it begins.
        phase: How far it is.
        notes: What the instructor noted.
        due: Trainees whose drive is over and whose debriefing isn't made yet.
        results: As given.
        writing: Trainees who want theirs written to files.
        stopped: Why the class is to end; empty: it isn't.

    Raises:
        BadInput: A lesson can't be used.
    """

    def __init__(
        self,
        lessons: Sequence[str],
        *,
        pid: int,
        seed: int = 1,
        instructed: bool = False,
        speed: float = 1.0,
        results: str = "",
    ) -> None:
        self._lessons = [load_lesson(name) for name in lessons]
        self._at = 0
        self._pid = pid
        self._seed = seed
        self.instructed = instructed
        self._speed = speed
        self.results = results
        self._course = len(shipped_lessons())
        self.trainees: dict[str, Trainee] = {}
        self.compiled = False
        self.along: TwinsAlong | None = None
        self.instructors: Tell = lambda _: None
        self.phase = Phase.WAITING
        self.due: list[Trainee] = []
        self.writing: list[Trainee] = []
        self.stopped = ""
        self._owed_s = 0.0
        self._state_due_s = self._class_due_s = 0.0
        self._time_s = 0.0
        self.notes: list[Note] = []
        self._marks: dict[str, _Marked] = {}
        self.drive = self._staged()

    def _staged(self) -> Drive:
        return Drive.of(self._lessons[self._at], self._seed)

    # --- who is there ---------------------------------------------------------------------------

    def join(self, alias: str) -> Trainee:
        """Return a place: a new one, or the one that this alias has left.

        A trainee who comes while a drive is under way joins in at the next.

        Raises:
            BadInput: No alias, one that is in use, or one too many.
        """
        name = clean(alias, LONGEST_ALIAS).strip()
        if not name:
            raise BadInput("found no alias, expected one, such as a first name or a number")
        known = self.trainees.get(name)
        if known is not None:
            if known.attached:
                raise BadInput(f'found alias "{name}" in use, expected another')
            return known
        if self._room() <= 0:
            raise BadInput(f"found {MOST_RIDES} trainees in the class, expected fewer")
        self.trainees[name] = Trainee(name)
        return self.trainees[name]

    def _room(self) -> int:
        """Return how many more may join: who left without a ride is not counted."""
        there = sum(t.attached > 0 or t.ride is not None for t in self.trainees.values())
        return min(MOST_RIDES - there, MOST_PLACES - len(self.trainees))

    def greeting(self, trainee: Trainee) -> list[Message]:
        """Return what a viewer at a trainee's place is told first."""
        lesson = self.drive.lesson
        told: list[Message] = [
            trainee.hello(lesson, self._pid),
            brief_of(lesson, trainee.alias, self._course, may_begin=not self.instructed),
            trainee.state(self._time_s, self.phase),
        ]
        told += trainee.frames()
        return told if trainee.debriefing is None else [*told, trainee.debriefing]

    def state(self) -> ClassState:
        """Return how the class stands, truth included: for the instructor alone."""
        drive = self.drive
        ride = self._first_ride()
        return ClassState(
            time_s=self._time_s,
            duration_s=drive.plan.duration_s,
            phase=self.phase,
            title=drive.lesson.title,
            truth=self._truth(ride),
            lesson_number=drive.lesson.number,
            lessons=self._course,
            speed=self._speed,
            faults=_planned(drive.plan.faults) if ride is None else _standing(ride),
            kinds=[Choice(kind.word, what_goes_wrong(kind)) for kind in _KINDS.values()],
            channels=[terms.name for terms in drive.plan.rig.channels],
            marks=[Mark(name, mark.time_s) for name, mark in self._marks.items()],
            rides=[trainee.row() for trainee in self.trainees.values()],
            calls=list(CALL_CHOICES),
            notes=self.notes,
            results=self.results,
        )

    def _truth(self, ride: Ride | None) -> str:
        """Return what is wrong: to come, as it stands, or as it came."""
        if ride is None:
            return self.drive.case.debrief
        over = self.phase is Phase.OVER
        return self.drive.case_of(ride).debrief if over else self.drive.truth_now(ride)

    def _first_ride(self) -> Ride | None:
        return next((t.ride for t in self.trainees.values() if t.ride is not None), None)

    # --- time -----------------------------------------------------------------------------------

    def advance(self, real_s: float) -> None:
        """Let so much time pass, s: rides that are under way go on, by a frame at most."""
        if self.phase is not Phase.DRIVING:
            return
        self._owed_s = min(self._owed_s + real_s * self._speed, MOST_OWED_S * self._speed)
        step_s = 1.0 / self.drive.plan.rate_hz
        riding = [t for t in self.trainees.values() if t.ride is not None]
        left_s = self._owed_s - FRAME_S * self._speed  # a frame at a time
        while self._owed_s >= max(step_s, left_s):
            self._owed_s -= step_s
            for trainee in riding:
                trainee.step()
            if self.along is not None:
                self.along.step()
            self._time_s = max(t.ride.time_s for t in riding if t.ride is not None)
            if all(t.ride is None or t.ride.finished for t in riding):
                self._end()
                return

    @property
    def behind(self) -> bool:
        """Whether there is more to be driven at once."""
        return self.phase is Phase.DRIVING and self._owed_s >= FRAME_S * self._speed

    def show(self) -> None:
        """Tell everybody how things stand."""
        if self.phase is not Phase.DRIVING:
            return
        state_due = self._time_s >= self._state_due_s
        if state_due:
            self._state_due_s = self._time_s + STATE_S
        for trainee in self.trainees.values():
            trainee.show()
            if state_due:
                trainee.tell(trainee.state(self._time_s, self.phase))
        if self._time_s >= self._class_due_s:
            self._class_due_s = self._time_s + CLASS_STATE_S
            self.instructors(self.state())

    def _set_time(self, time_s: float) -> None:
        self._time_s = self._state_due_s = self._class_due_s = time_s
        self._owed_s = 0.0

    def _tell_states(self) -> None:
        for trainee in self.trainees.values():
            trainee.tell(trainee.state(self._time_s, self.phase))
        self.instructors(self.state())

    def _greet(self) -> None:
        for trainee in self.trainees.values():
            for message in self.greeting(trainee):
                trainee.tell(message)
        self.instructors(self.state())

    # --- what is commanded ----------------------------------------------------------------------

    def obey(self, trainee: Trainee | None, command: Command, answer: Tell) -> None:
        """Do what a trainee commands, or the instructor (None); say what is refused."""
        leading = _BY_INSTRUCTOR if trainee is None else _BY_WHOEVER_LEADS
        if command.do in leading:
            leads = trainee is None or not self.instructed
            refused = leading[command.do](self, command) if leads else _NOT_YOURS
        elif trainee is None:
            refused = "found no such command"
        elif command.do == "write":
            refused = self._write(trainee)
        elif self.phase not in (Phase.DRIVING, Phase.PAUSED):
            refused = "found no drive under way, expected one"
        elif not (refused := trainee.answer(command)):
            trainee.tell(trainee.state(self._time_s, self.phase))
        if refused:
            answer(Answer(clean(command.do), False, refused))
        if trainee is None:
            self.instructors(self.state())

    def _begin(self, _: Command) -> str:
        if self.phase in (Phase.DRIVING, Phase.PAUSED):
            return "found a drive under way, expected none"
        if self.due:
            return _RECKONING
        riding = [trainee for trainee in self.trainees.values() if trainee.attached]
        if not riding:
            return "found no trainee, expected one to join first"
        again = self.phase is Phase.OVER
        if again:
            self._stage_next()
        drive = self.drive
        for trainee in self.trainees.values():
            trainee.leave()
        for trainee in riding:
            trainee.begin(drive, compiled=self.compiled)
        self.along = TwinsAlong(drive, compiled=self.compiled)
        self.phase = Phase.DRIVING
        self._set_time(0.0)
        self.notes, self._marks = [], {}
        self._put_mark(START)
        if again:
            self._greet()
        else:
            self._tell_states()
        return ""

    def _stage_next(self) -> None:
        """Stage a drive of the present lesson, with the next seed."""
        self._seed += 1
        self.drive = self._staged()

    def _next(self, command: Command) -> str:
        if self.phase in (Phase.DRIVING, Phase.PAUSED):
            return "found a drive under way, expected it to be over"
        if self.due:
            return _RECKONING
        names = [lesson.name for lesson in self._lessons]
        if command.what:
            if command.what not in names:
                return f'found lesson "{clean(command.what)}", expected one of {", ".join(names)}'
            self._at = names.index(command.what)
        elif self._at + 1 == len(names):
            return "found the last lesson, expected another"
        else:
            self._at += 1
        self._stage_next()
        self.phase = Phase.WAITING
        self._set_time(0.0)
        self.notes, self._marks = [], {}
        for trainee in self.trainees.values():
            trainee.leave()
        self._greet()
        return ""

    def _end_drill(self, _: Command) -> str:
        if self.phase not in (Phase.DRIVING, Phase.PAUSED):
            return _NO_DRIVE
        self._end()
        return ""

    def _end(self) -> None:
        for trainee in self.trainees.values():
            trainee.show()
        self.phase = Phase.OVER
        self.due = [t for t in self.trainees.values() if t.ride is not None]
        self._tell_states()

    def debriefed(self, trainee: Trainee, debriefing: Debriefing) -> None:
        """Tell a trainee what came of the drive; it is no longer due."""
        self.due.remove(trainee)
        trainee.debriefing = debriefing
        trainee.tell(debriefing)
        self.instructors(self.state())

    def _write(self, trainee: Trainee) -> str:
        if trainee.debriefing is None:
            return "found no debriefing yet, expected one"
        if trainee.debriefing.files or trainee in self.writing:
            return "found it written already, or being written"
        self.writing.append(trainee)
        return ""

    def written(self, trainee: Trainee, files: list[str], refused: str) -> None:
        """Tell a trainee where the debriefing is, or why it could not be written."""
        self.writing.remove(trainee)
        if refused:
            trainee.tell(Answer("write", False, refused))
        elif trainee.debriefing is not None:
            trainee.debriefing = msgspec.structs.replace(trainee.debriefing, files=files)
            trainee.tell(trainee.debriefing)

    def _pause(self, _: Command) -> str:
        if self.phase is not Phase.DRIVING:
            return _NO_DRIVE
        self.phase = Phase.PAUSED
        self._tell_states()
        return ""

    def _go_on(self, _: Command) -> str:
        if self.phase is not Phase.PAUSED:
            return "found no drive that is paused, expected one"
        self.phase = Phase.DRIVING
        self._tell_states()
        return ""

    def _stop(self, _: Command) -> str:
        self.stopped = "the class was ended"
        return ""

    # --- the instructor's -----------------------------------------------------------------------

    def _inject(self, command: Command) -> str:
        kind = _KINDS.get(command.what)
        channels = [terms.name for terms in self.drive.plan.rig.channels]
        if kind is None:
            return f'found fault "{clean(command.what)}", expected one of {", ".join(_KINDS)}'
        if command.channel and not kind.of_a_sensor:
            return f"found a channel for {what_goes_wrong(kind)}, expected none"
        if command.channel and command.channel not in channels:
            wanted = ", ".join(channels)
            return f'found channel "{clean(command.channel)}", expected one of {wanted}'
        if refused := _amount_refused(kind, command):
            return refused
        fault = Fault(
            kind=kind,
            magnitude=command.amount,
            ramp_s=command.ramp_s,
            channel=command.channel,
        )
        return self._to_all(lambda ride: ride.inject(fault))

    def _escalate(self, command: Command) -> str:
        ride = self._first_ride()
        spans = () if ride is None else ride.spans
        if command.number < len(spans):
            refused = _amount_refused(spans[command.number].kind, command)
            if refused:
                return refused
        return self._to_all(
            lambda ride: ride.escalate(command.number, command.amount, command.ramp_s)
        )

    def _clear(self, command: Command) -> str:
        return self._to_all(lambda ride: ride.clear(command.number))

    def _to_all(self, do: Callable[[Ride], object]) -> str:
        """Do the same to every ride, or to none."""
        if self.phase not in (Phase.DRIVING, Phase.PAUSED):
            return _NO_DRIVE
        rides = [t.ride for t in self.trainees.values() if t.ride is not None]
        if self.along is not None:
            rides += self.along.faulty()
        try:
            for ride in rides:
                do(ride)
        except ValueError as error:  # all rides have the same faults: the first one tells
            return str(error)
        return ""

    def _mark(self, command: Command) -> str:
        if self.phase not in (Phase.DRIVING, Phase.PAUSED):
            return _NO_DRIVE
        name = clean(command.what).strip() or f"mark {len(self._marks)}"
        if name in self._marks:
            return f'found a mark "{name}", expected another name'
        if len(self._marks) >= MOST_MARKS:
            return f"found {MOST_MARKS} marks, expected fewer"
        self._put_mark(name)
        return ""

    def _put_mark(self, name: str) -> None:
        moments = {alias: trainee.mark() for alias, trainee in self.trainees.items()}
        known = {alias: moment for alias, moment in moments.items() if moment is not None}
        along = () if self.along is None else self.along.mark()
        self._marks[name] = _Marked(self._time_s, known, along)

    def _rewind(self, command: Command) -> str:
        if self.phase is Phase.WAITING:
            return _NO_DRIVE
        if self.due:
            return _RECKONING
        if command.what not in self._marks:
            expected = ", ".join(self._marks)
            return f'found mark "{clean(command.what)}", expected one of {expected}'
        marked = self._marks[command.what]
        for alias, moment in marked.trainees.items():
            self.trainees[alias].rewind(moment)
        if self.along is not None:
            self.along.rewind(marked.twins)
        self._marks = {n: one for n, one in self._marks.items() if one.time_s <= marked.time_s}
        self.phase = Phase.PAUSED
        self._set_time(marked.time_s)
        self._greet()
        return ""

    def _note(self, command: Command) -> str:
        if self.phase is Phase.WAITING:
            return _NO_DRIVE
        if len(self.notes) >= MOST_NOTES:
            return f"found {MOST_NOTES} notes, expected fewer"
        self.notes.append(Note(self._time_s, clean(command.text, LONGEST_TEXT).strip()))
        return ""


_NO_DRIVE: Final = "found no drive under way, expected one"
_RECKONING: Final = "found debriefings that are still made, expected them to be ready first"
_NOT_YOURS: Final = "found a class with an instructor, who alone begins and ends drives"
_Do = Callable[[DrillClass, Command], str]
_BY_WHOEVER_LEADS: Final[dict[str, _Do]] = {
    "begin": DrillClass._begin,
    "end_drill": DrillClass._end_drill,
    "next": DrillClass._next,
    "stop": DrillClass._stop,
}
_BY_INSTRUCTOR: Final[dict[str, _Do]] = _BY_WHOEVER_LEADS | {
    "pause": DrillClass._pause,
    "go_on": DrillClass._go_on,
    "inject": DrillClass._inject,
    "escalate": DrillClass._escalate,
    "clear": DrillClass._clear,
    "mark": DrillClass._mark,
    "rewind": DrillClass._rewind,
    "note": DrillClass._note,
}


def _amount_refused(kind: FaultKind, command: Command) -> str:
    if not kind.least <= command.amount <= 1.0:
        return f"found an amount of {command.amount:zg}, expected {kind.least:zg} to 1"
    if not 0.0 <= command.ramp_s <= LONGEST_RAMP_S:
        return f"found a ramp of {command.ramp_s:zg} s, expected 0 to {LONGEST_RAMP_S:zg}"
    return ""


def _planned(faults: Sequence[Fault]) -> list[FaultState]:
    return [
        FaultState(number, what_goes_wrong(fault.kind, fault.channel), None, fault.magnitude, False)
        for number, fault in enumerate(faults)
    ]


def _standing(ride: Ride) -> list[FaultState]:
    return [
        FaultState(
            number=span.number,
            words=what_goes_wrong(span.kind, span.channel),
            begins_s=span.begins_s if isfinite(span.begins_s) else None,
            amount=span.amount,
            active=span.acts,
            cleared=span.cleared,
        )
        for span in ride.spans
    ]
