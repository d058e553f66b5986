"""A class without cars: plays a drill to trainees' and the instructor's screens under a set clock.

The drive is made of round invented numbers, as the stories of the live screen are; what a trainee
or an instructor does changes it in the plainest way, so that a test can say what must be seen.
"""

from dataclasses import dataclass, field
from math import inf
from typing import Any, Final

from msgspec import structs

from monitor.attach.drilling import (
    Brief,
    Choice,
    ClassState,
    Debriefing,
    Did,
    DrillState,
    FaultState,
    Mark,
    Note,
    Outcome,
    Part,
    Phase,
    Place,
    RideState,
    Sign,
    TracePoints,
)
from monitor.attach.protocol import Answer, Bye, Command, Ending, Message
from monitor.screen.fake_link import FakeLink
from monitor.source_facts import SourceKind
from simulator.drill.calls import CALLS as _CALLS
from simulator.drill.words import Act, Failsafe
from simulator.strict import BadInput
from tests.kit.screen_messages import event, event_turn, frame, hello, rows, statistics
from tests.kit.screen_script import Clock

STEP_S: Final = 0.5
LESSONS: Final = 14
LASTS_S: Final = 30.0
ONSET_S: Final = 12.0
PULLED_S: Final = 0.4  # after the onset
CALLS: Final = [Choice(*call) for call in _CALLS]
ACTS: Final = [
    Choice("hold", "leave it to the driver"),
    Choice("pull_timing", "pull timing"),
    Choice("cut_boost", "cut boost"),
    Choice("lift", "lift"),
]
KINDS: Final = [
    Choice("pump_stop", "the pump stops"),
    Choice("clogged_nozzle", "a nozzle is clogged"),
    Choice("sensor_offset", "a sensor reads off"),
]


@dataclass
class FakeRide:
    """A trainee's part of the class: link, answers, what the car came to."""

    alias: str
    link: FakeLink
    sent: int = 0
    call: str | None = None
    called_s: float | None = None
    act: Act = Act.HOLD
    acted_s: float | None = None
    did: list[Did] = field(default_factory=list)
    harm: float = 0.0
    raised: bool = False


class FakeClass:
    """A drill of one lesson.

    Args:
        fault: What is wrong from ``onset_s`` on, as a call's word; None: nothing is.
        helped: What the failsafe does.
        shows: What isn't held back.
        instructed: Whether an instructor begins.
    """

    def __init__(
        self,
        fault: str | None = "pump",
        *,
        helped: Failsafe = Failsafe.ON,
        shows: tuple[str, ...] = ("events", "evidence"),
        instructed: bool = False,
    ) -> None:
        self.clock = Clock()
        self.fault, self.helped, self.shows, self.instructed = fault, helped, shows, instructed
        self.onset_s = inf if fault is None else ONSET_S
        self.cleared_s = inf
        self.time_s = 0.0
        self.phase = Phase.WAITING
        self.lesson = 1
        self.rides: dict[str, FakeRide] = {}
        self.marks = [Mark("start", 0.0)]
        self.notes: list[Note] = []
        self.desk = FakeLink()

    # --- links --------------------------------------------------------------------------------

    def link_for(self, alias: str) -> FakeLink:
        """Return a trainee's link, greeted and briefed; one that is refused where it is in use."""
        if alias in self.rides and self.rides[alias].link.attached:
            return FakeLink(refuse=BadInput(f'found alias "{alias}" in use, expected another'))
        ride = self.rides[alias] = FakeRide(alias, FakeLink())
        self._greet(ride)
        return ride.link

    def instruct(self) -> FakeLink:
        """Return the instructor's link."""
        self.desk.feed(self.class_state())
        return self.desk

    def _greet(self, ride: FakeRide) -> None:
        greeting = hello(source="drill", source_kind=SourceKind.SIMULATED, session=None)
        ride.link.feed(greeting, self.brief(ride.alias), self.state_of(ride))

    def brief(self, alias: str) -> Brief:
        """Return what a trainee is told before."""
        return Brief(
            title="Three pulls on the hill road",
            text="Three pulls in third gear at full throttle, with a lift between them. The car is "
            "a small turbo four whose spray begins at 60 kPa.",
            alias=alias,
            calls=CALLS,
            acts=ACTS,
            failsafe=self.helped,
            late_by_s=0.0,
            shows=list(self.shows),
            lesson_number=self.lesson,
            lessons=LESSONS,
            duration_s=LASTS_S,
            may_begin=not self.instructed,
        )

    def state_of(self, ride: FakeRide) -> DrillState:
        """Return how a trainee's drive stands."""
        return DrillState(
            self.time_s,
            self.phase,
            ride.call,
            ride.called_s,
            ride.act,
            ride.acted_s,
        )

    # --- time ---------------------------------------------------------------------------------

    async def settle(self) -> None:
        """Obey whatever was commanded, and wait until every screen has taken what came of it."""
        while True:
            before = sum(ride.sent for ride in self.rides.values()) + self._desk_sent
            for ride in list(self.rides.values()):
                while ride.sent < len(ride.link.sent):
                    ride.sent += 1
                    self._answer(ride, ride.link.sent[ride.sent - 1])
            while self._desk_sent < len(self.desk.sent):
                self._desk_sent += 1
                self._obey(self.desk.sent[self._desk_sent - 1])
            for link in (self.desk, *(ride.link for ride in self.rides.values())):
                if link.attached:
                    await link.taken()
            if before == sum(ride.sent for ride in self.rides.values()) + self._desk_sent:
                return

    _desk_sent = 0

    async def advance(self, seconds: float) -> None:
        """Let the clock run on, and the drive where it runs."""
        await self.settle()
        for _ in range(round(seconds / STEP_S)):
            self.clock.now_s += STEP_S
            if self.phase is Phase.DRIVING:
                self._drive()
            else:
                for ride in self.rides.values():
                    ride.link.feed(self._frame(ride, []))
            self.desk.feed(self.class_state())
            await self.settle()

    def _drive(self) -> None:
        before_s, self.time_s = self.time_s, self.time_s + STEP_S
        for ride in self.rides.values():
            short = self.onset_s <= before_s < self.cleared_s
            cut = ride.act in (Act.CUT_BOOST, Act.LIFT) or (short and self._acts(before_s))
            boost_kpa = -60.0 if ride.act is Act.LIFT else 95.0 if cut else 150.0
            ride.harm += 8.0 * STEP_S if short and not cut else 0.0
            made = rows(
                *(before_s, self.time_s),
                share=0.1 if short and boost_kpa > 100.0 else 1.0,
                boost_kpa=boost_kpa,
                **self._guard(before_s),
            )
            ride.link.feed(self._frame(ride, made), self.state_of(ride))
            if short and "events" in self.shows and self._acts(before_s) and not ride.raised:
                ride.raised = True
                told = event(
                    time_s=self.onset_s + 0.2, action_time_s=self.onset_s + PULLED_S, check_first=""
                )
                ride.link.feed(event_turn("raised", told, ""))
        if self.time_s >= LASTS_S:
            self._end()

    def _acts(self, time_s: float) -> bool:
        return self.helped is Failsafe.ON and self.onset_s + PULLED_S <= time_s < self.cleared_s

    def _guard(self, time_s: float) -> dict[str, Any]:
        if not self._acts(time_s):
            return {}
        return {"action": 3, "evidence": 32.0, "debt_s": 0.6, "retard_deg": 5.5}

    def _frame(self, ride: FakeRide, made: list[list[float | None]]) -> Any:
        status = "No action: 500 of 500 mL/min arrive at 150 kPa boost."
        if self._acts(self.time_s - STEP_S):
            status = "Cut boost to 100 kPa: under-delivery, debt 0.60 s of full flow."
        told = frame(status, made, round(self.time_s / 0.05))
        if self.helped is Failsafe.OFF:
            decision = structs.replace(told.decision, action=None, evidence=None, debt_s=None)
            told = structs.replace(told, status="", decision=decision)
        return told

    def _end(self) -> None:
        self.phase = Phase.OVER
        for ride in self.rides.values():
            ride.link.feed(self.state_of(ride), self.debriefing(ride))

    # --- commands -----------------------------------------------------------------------------

    def _answer(self, ride: FakeRide, command: Command) -> None:
        match command.do:
            case "call":
                ride.call = command.what
                ride.called_s = self.time_s
                words = next(one.words for one in CALLS if one.word == command.what)
                ride.did.append(Did(self.time_s, "call", command.what, words))
            case "act":
                ride.act, ride.acted_s = Act(command.what), self.time_s
                ride.did.append(Did(self.time_s, "act", command.what, command.what))
            case "acknowledge":
                ride.did.append(Did(self.time_s, "acknowledge", "", "acknowledged"))
            case "write":
                ride.link.feed(structs.replace(self.debriefing(ride), files=["/x/ann.html"]))
            case "next" if self.lesson == LESSONS:
                why = "found the last lesson, expected another"
                ride.link.feed(Answer("next", False, why))
            case _ if not self.instructed:
                self._obey(command)
        ride.link.feed(self.state_of(ride))

    def _obey(self, command: Command) -> None:
        match command.do:
            case "begin" | "go_on":
                self.phase = Phase.DRIVING
            case "pause":
                self.phase = Phase.PAUSED
            case "mark":
                self.marks.append(Mark(command.what, self.time_s))
            case "rewind":
                self._anew(next(one.time_s for one in self.marks if one.name == command.what))
            case "inject":
                self.fault, self.onset_s, self.cleared_s = "pump", self.time_s, inf
            case "clear":
                self.cleared_s = self.time_s
            case "note":
                self.notes.append(Note(self.time_s, command.text))
            case "end_drill":
                self._end()
            case "next":
                self.lesson += 1
                self._anew(0.0)
                self.phase = Phase.WAITING
            case "stop":
                for link in (self.desk, *(ride.link for ride in self.rides.values())):
                    link.feed(Bye(Ending.STOPPED, "stopped by the instructor", statistics()))
                return  # whoever was told goodbye listens no more
        for ride in self.rides.values():
            if command.do in ("rewind", "next"):
                self._greet(ride)
            ride.link.feed(self.state_of(ride))
        self.desk.feed(self.class_state())

    def _anew(self, time_s: float) -> None:
        self.time_s, self.phase = time_s, Phase.PAUSED
        for ride in self.rides.values():
            ride.did = [one for one in ride.did if one.time_s <= time_s]
            if ride.called_s is not None and ride.called_s > time_s:
                ride.call = ride.called_s = None
            if ride.acted_s is not None and ride.acted_s > time_s:
                ride.act, ride.acted_s = Act.HOLD, None
            ride.harm, ride.raised = 0.0, False

    # --- what is told at the end ----------------------------------------------------------------

    def class_state(self) -> ClassState:
        """Return the class as its instructor sees it."""
        there = [] if self.fault is None else [self._fault_state()]
        return ClassState(
            time_s=self.time_s,
            duration_s=LASTS_S,
            phase=self.phase,
            title="Three pulls on the hill road",
            truth="The pump stops in the second pull." if there else "Nothing is wrong.",
            lesson_number=self.lesson,
            lessons=14,
            speed=1.0,
            faults=there,
            kinds=KINDS,
            channels=["boost_kpa", "delivered_ml_min", "line_kpa"],
            marks=list(self.marks),
            rides=[self._ride_state(ride) for ride in self.rides.values()],
            calls=CALLS,
            notes=list(self.notes),
        )

    def _fault_state(self) -> FaultState:
        begun = self.time_s >= self.onset_s
        active = begun and self.time_s < self.cleared_s
        return FaultState(0, "the pump stops", self.onset_s if begun else None, 1.0, active)

    def _ride_state(self, ride: FakeRide) -> RideState:
        over = self.phase is Phase.OVER
        return RideState(
            ride.alias,
            ride.link.attached,
            ride.call,
            ride.called_s,
            ride.act,
            ride.acted_s,
            "cut_boost" if self._acts(self.time_s) else "no_action",
            ride.harm,
            self.debriefing(ride).score if over else None,
        )

    def debriefing(self, ride: FakeRide) -> Debriefing:
        """Return the truth of a ride."""
        right = self.fault or "nothing_wrong"
        words = {one.word: one.words for one in CALLS}
        verdict = "none" if ride.call is None else "right" if ride.call == right else "wrong"
        points = 50.0 if verdict == "right" else 0.0
        kept = max(0.0, 50.0 - ride.harm)
        sick = self.fault is not None and self.onset_s <= self.time_s
        times = [round(0.1 * i, 1) for i in range(round(self.time_s / 0.1))]

        def flow(time_s: float, *, fault: bool) -> float:
            full = 500.0 * min(1.0, max(0.0, (time_s - 10.0) / 0.5))
            return 0.1 * full if fault and self.onset_s + 0.2 <= time_s < self.cleared_s else full

        def trace(channel: str, label: str, unit: str, factor: float) -> TracePoints:
            driven = [factor * flow(t, fault=sick) for t in times]
            healthy = [factor * flow(t, fault=False) for t in times] if sick else []
            return TracePoints(channel, label, unit, list(driven), list(healthy))

        return Debriefing(
            alias=ride.alias,
            title="Three pulls on the hill road",
            truth="the pump stops, from 12.0 s on" if sick else "nothing was wrong",
            called="" if ride.call is None else words[ride.call],
            right_call=words[right],
            verdict=verdict,
            onset_s=self.onset_s if sick else None,
            signs=[
                Sign(
                    self.onset_s + 0.15,
                    "line_kpa",
                    "line pressure",
                    "line pressure reads 100 instead of 1000 kPa",
                ),
                Sign(
                    self.onset_s + 0.2,
                    "delivered_ml_min",
                    "spray flow",
                    "spray flow reads 50 instead of 500 mL/min",
                ),
            ]
            if sick
            else [],
            guard_warn_s=self.onset_s + 0.2 if sick else None,
            guard_pull_s=self.onset_s + PULLED_S if sick else None,
            guard_cut_s=self.onset_s + 0.6 if sick else None,
            guard_said="no car this rig allows for would read 50 of 500 mL/min" if sick else "",
            guard_cause="pump weak or stopped" if sick else "",
            did=list(ride.did),
            outcomes=[
                Outcome("driven", "as you drove", ride.harm, round(2.0 * ride.harm), 402.0),
                Outcome("guard", "the guard alone", 0.4 if sick else 0.0, 0, 398.0),
                Outcome("nobody", "nobody", 96.0 if sick else 0.0, 212 if sick else 0, 431.0),
                Outcome("no_fault", "without the fault", 0.0, 0, 520.0),
            ],
            goal="Tell by flow and line pressure what the spray does.",
            text="Line pressure falls first and the flow a tenth of a second later, while supply "
            "and tank stay as they were: a pump that no longer turns.",
            check_first=["the pump's fuse and relay", "its plug and earth", "the pump itself"],
            score=points + kept,
            parts=[
                Part("call", points, 50.0, f"it was {words[right]}"),
                Part("engine", kept, 50.0, f"harm {ride.harm:.1f}"),
            ],
            formula="score = call (50) + engine (50 less the harm)",
            time_s=times,
            traces=[
                trace("delivered_ml_min", "spray flow", "mL/min", 1.0),
                trace("line_kpa", "line pressure", "kPa", 2.0),
                trace("boost_kpa", "boost", "kPa", 0.3),
            ]
            if times
            else [],
            harm={},
            notes=list(self.notes),
        )


def said() -> tuple[Message, ...]:
    """Return one message of each kind that a class says; its drive has a trainee who called."""
    drill = FakeClass()
    drill.phase, drill.time_s = Phase.DRIVING, 14.0
    drill.notes.append(Note(13.0, "watch the flow"))
    ride = FakeRide("ann", FakeLink(), call="pump", called_s=13.5, act=Act.LIFT, acted_s=13.0)
    ride.did.append(Did(13.0, "act", "lift", "lift"))
    drill.rides["ann"] = ride
    debriefing = structs.replace(drill.debriefing(ride), harm={"driven": [0.0, 1.2]})
    return (
        Place("join", "ann", "/run/x/7-1.sock", 0, "secret"),
        drill.brief("ann"),
        drill.state_of(ride),
        debriefing,
        drill.class_state(),
    )
