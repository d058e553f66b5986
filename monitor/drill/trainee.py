"""A trainee in a class: a ride, what may be seen of it, and what the trainee does."""

from dataclasses import dataclass
from typing import Final

from monitor.attach import protocol
from monitor.attach.drilling import Brief, Choice, Debriefing, DrillState, Phase, RideState
from monitor.attach.listeners import Tell
from monitor.drill.drive import Drive
from monitor.drill.view import Showing, View
from monitor.guard.alarm_desk import COMMANDS, operation
from rules.facts import Action
from simulator.drill.calls import CALL_WORDS, CALLS
from simulator.drill.lesson import Lesson
from simulator.drill.ride import Moment, Ride
from simulator.drill.words import Act
from simulator.strict import clean

ACTS: Final = (
    Choice(Act.HOLD, "leave the car to driver and failsafe"),
    Choice(Act.PULL_TIMING, "pull the timing that spray pays for"),
    Choice(Act.CUT_BOOST, "cut boost to what the engine holds dry"),
    Choice(Act.LIFT, "lift the foot off the pedal"),
)
CALL_CHOICES: Final = tuple(Choice(call.word, call.words) for call in CALLS)
_ACTS: Final = {act.value: act for act in Act}


@dataclass(frozen=True)
class TraineeMoment:
    """A trainee's ride and view as they were at a moment."""

    ride: Moment
    view: Showing


class Trainee:
    """One trainee of a class.

    Args:
        alias: As the trainee wants to be called.

    Attributes:
        tell: Takes what every viewer at this place is told; set by whoever serves it.
        attached: How many viewers are at this place; kept by whoever serves it.
        ride: The ride; None until a drive begins.
        debriefing: What came of it; None until it is over.
    """

    def __init__(self, alias: str) -> None:
        self.alias = alias
        self.tell: Tell = lambda _: None
        self.attached = 0
        self.ride: Ride | None = None
        self.debriefing: Debriefing | None = None
        self._view: View | None = None

    def _say(self, message: protocol.Message) -> None:
        self.tell(message)  # whatever that is by then

    def begin(self, drive: Drive, *, compiled: bool) -> None:
        """Have a new ride."""
        self.debriefing = None
        self._view = View(drive.lesson, self._say)
        self.ride = Ride(
            drive.plan,
            drive.seed,
            failsafe=drive.lesson.failsafe,
            late_by_s=drive.lesson.late_by_s,
            compiled=compiled,
        )

    def leave(self) -> None:
        """Have no ride any more."""
        self.ride = self._view = self.debriefing = None

    def step(self) -> None:
        """Drive on by one sample."""
        if self.ride is not None and self._view is not None and not self.ride.finished:
            came = self.ride.step()
            self._view.take(self.ride.time_s, came)

    def show(self) -> None:
        """Tell a frame."""
        if self._view is not None:
            self._view.show()

    def frames(self) -> list[protocol.Frame]:
        """Return how the car stands, in a frame without rows; none before the ride began."""
        return [] if self._view is None else self._view.frames()

    def hello(self, lesson: Lesson, pid: int) -> protocol.Hello:
        """Return what a viewer at this place is greeted with first."""
        view = self._view or View(lesson, self._say)
        return view.hello(pid)

    def state(self, time_s: float, phase: Phase) -> DrillState:
        """Return how this trainee's drive stands in a class that stands so."""
        if self.ride is None:
            return DrillState(0.0, Phase.WAITING)
        called, acted = self._last("call"), self._last("act")
        return DrillState(
            time_s=time_s,
            phase=phase,
            call=None if called is None else called[0],
            called_s=None if called is None else called[1],
            act=self.ride.standing_act,
            acted_s=None if acted is None else acted[1],
        )

    def row(self) -> RideState:
        """Return how this trainee stands, for the instructor."""
        ride = self.ride
        state = self.state(0.0, Phase.WAITING)
        done = Action.NO_ACTION if ride is None else Action(int(ride.decision.action))
        return RideState(
            alias=self.alias,
            attached=self.attached > 0,
            call=state.call,
            called_s=state.called_s,
            act=state.act,
            acted_s=state.acted_s,
            guard_action=done.word,
            harm=0.0 if ride is None else ride.report.harm,
            score=None if self.debriefing is None else self.debriefing.score,
        )

    def _last(self, kind: str) -> tuple[str, float] | None:
        if self.ride is None:
            return None
        found = [answer for answer in self.ride.answers if answer.kind == kind]
        return (found[-1].what, found[-1].time_s) if found else None

    def answer(self, command: protocol.Command) -> str:
        """Do what the trainee commands while driving; return why not, or nothing."""
        ride, view = self.ride, self._view
        if ride is None or view is None:
            return "found no drive under way, expected one"
        if command.do == "call":
            if command.what not in CALL_WORDS:
                return f'found call "{clean(command.what)}", expected one of the list'
            ride.call(command.what)
        elif command.do == "act":
            if command.what not in _ACTS:
                return f'found act "{clean(command.what)}", expected one of {", ".join(_ACTS)}'
            ride.act(_ACTS[command.what])
        elif command.do in COMMANDS:
            return self._handle_alarm(ride, view, command)
        else:
            return "found no such command"
        return ""

    def _handle_alarm(self, ride: Ride, view: View, command: protocol.Command) -> str:
        if not view.alarms_shown or view.told is None:
            return "found no alarms, expected a failsafe that is on and a first reading"
        alarms, time_s = view.news.alarms, view.told.time_s
        moved, refused = alarms.obey(command, time_s)
        view.report(operation(command, time_s, refused), *moved)
        if alarms.gives_release(command, refused):
            ride.acknowledge()
        return ""

    def mark(self) -> TraineeMoment | None:
        """Return this moment, to go back to; None where there is no ride."""
        if self.ride is None or self._view is None:
            return None
        return TraineeMoment(self.ride.mark(), self._view.mark())

    def rewind(self, moment: TraineeMoment) -> None:
        """Be as at a moment of this ride's."""
        if self.ride is not None and self._view is not None:
            self.debriefing = None
            self.ride.rewind(moment.ride)
            self._view.rewind(moment.view)


def brief_of(lesson: Lesson, alias: str, lessons: int, *, may_begin: bool) -> Brief:
    """Return what a trainee is told of a lesson before its drive."""
    return Brief(
        title=lesson.title,
        text=lesson.brief,
        alias=alias,
        calls=list(CALL_CHOICES),
        acts=list(ACTS),
        failsafe=lesson.failsafe,
        late_by_s=lesson.late_by_s,
        shows=sorted(lesson.shows),
        lesson_number=lesson.number,
        lessons=lessons,
        duration_s=lesson.scenario.duration_s,
        may_begin=may_begin,
    )
