"""Players: made-up trainees by whom the scores are tried, and the guard as one of them.

Whoever does nothing, always cuts, or calls at random must score clearly less than the guard, and
than somebody who only follows a rule of thumb with care: ``python -m tests.bench drill``.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from math import inf
from typing import Final, Protocol

from rules.causes.ranking import CauseRanker
from rules.channels import COLUMN_OF, Sample
from rules.facts import Action, Rig
from rules.step import state as st
from rules.step.state import Decision
from simulator.drill.attentive import Attentive
from simulator.drill.calls import CALL_WORDS, NOTHING_WRONG
from simulator.drill.debrief import debrief
from simulator.drill.lesson import Case, Lesson
from simulator.drill.ride import Ride
from simulator.drill.score import Score, score
from simulator.drill.words import Act, Failsafe
from simulator.plant.noise import generator

NOBODY: Final = "nobody"
GUARD: Final = "guard"
ATTENTIVE: Final = "attentive"
_STREAM: Final = 5  # of a seed; the lesson has the one below
_LOOKS_ON_S: Final = 1.5  # so long after its first action the guard's likeliest cause is its call
_OF_CAUSE: Final = {
    "pump": "pump",
    "supply_low": "pump",
    "clog": "clog",
    "split_before_sensor": "split",
    "split_after_sensor": "split",
    "air_or_empty": "tank_or_air",
    "valve_or_siphon": "unasked_spray",
    "controller_silent": "no_command",
    "sensor_drift": "flow_sensor",
    "sensor_stuck": "flow_sensor",
    "sensor_dead": "flow_sensor",
    "line_sensor": "other_sensor",
    "intake_sensor": "other_sensor",
    "wrong_mix": "wrong_mix",
}
# Findings that say what it is without a ranking.
_OF_FINDING: Final = {
    st.NO_COMMAND: "no_command",
    st.UNASKED_FLOW: "unasked_spray",
    st.OVERBOOST: "engine",
    st.INTAKE_HOT: "engine",
    st.DUTY_HIGH: "engine",
    st.NOT_FOLLOWED: "engine",
    st.CLOCK_STEP: "data",
    st.LATE_SAMPLES: "data",
    st.COMMAND_DISAGREES: "other_sensor",
    st.BOOST_CONTRADICTED: "other_sensor",
    st.LINE_DOUBTED: "other_sensor",
    st.RIG_DOUBTED: "flow_sensor",
}


class Player(Protocol):
    """Somebody who drives a lesson.

    Attributes:
        due_s: Before then, by the drive's time, nothing makes it act or call.
    """

    due_s: float

    def look(self, ride: Ride, told: list[tuple[Sample, Decision]]) -> None:
        """See what a step of the ride brought, and act or call."""


class Nobody:
    """Does nothing."""

    due_s = inf

    def look(self, ride: Ride, told: list[tuple[Sample, Decision]]) -> None:
        """See nothing."""


class Always:
    """Does one thing from the start, and says one thing.

    Args:
        act: What.
        call: And what is said; "": nothing.
    """

    def __init__(self, act: Act, call: str = "") -> None:
        self._act = act
        self._call = call
        self.due_s = 0.0

    def look(self, ride: Ride, told: list[tuple[Sample, Decision]]) -> None:
        """Do it, once."""
        if ride.answers:
            return
        self.due_s = inf
        ride.act(self._act)
        if self._call:
            ride.call(self._call)


class Caller:
    """Calls at random, some time in the drive, or all day long, one call after the other.

    Args:
        seed: Of the calls.
        duration_s: How long the drive lasts, seconds.
        every_s: All day long, so often; infinite: once.
    """

    def __init__(self, seed: int, duration_s: float, every_s: float = inf) -> None:
        self._source = generator(seed, _STREAM)
        self.due_s = every_s if every_s < inf else self._source.random() * duration_s
        self._every_s = every_s

    def look(self, ride: Ride, told: list[tuple[Sample, Decision]]) -> None:
        """Call, when it is time."""
        if ride.time_s >= self.due_s:
            self.due_s += self._every_s
            ride.call(CALL_WORDS[self._source.integers(len(CALL_WORDS))])


class GuardsCall:
    """Leaves the car to the guard, and calls what the guard finds likeliest."""

    due_s = 0.0

    def __init__(self, rig: Rig) -> None:
        self._ranker = CauseRanker(rig)
        self._since_s = inf
        self._finding = st.NO_FINDING

    def look(self, ride: Ride, told: list[tuple[Sample, Decision]]) -> None:
        """Call once, some time after the guard's first action, or that nothing is wrong."""
        for _, decision in told:
            self._ranker.feed(decision)
            if decision.action >= Action.WARN:
                self._since_s = min(self._since_s, ride.time_s)
                self._finding = decision.finding
        if any(answer.kind == "call" for answer in ride.answers):
            return
        if ride.time_s - self._since_s >= _LOOKS_ON_S:
            ride.call(self._likeliest(ride.decision))
        elif ride.time_s >= ride.scenario.duration_s - 1.0:
            ride.call(NOTHING_WRONG)

    def _likeliest(self, decision: Decision) -> str:
        if self._finding == st.SIGNAL_LOST:
            flow = decision.health[COLUMN_OF["delivered_ml_min"]]
            return "flow_sensor" if flow > st.ABSENT else "other_sensor"
        if self._finding in _OF_FINDING:
            return _OF_FINDING[int(self._finding)]
        found = (_OF_CAUSE[one.name] for one in self._ranker.rank() if one.name in _OF_CAUSE)
        return next(found)


Made = Callable[[Lesson, int], Player]
PLAYERS: Final[dict[str, Made]] = {
    NOBODY: lambda lesson, seed: Nobody(),
    "always cuts": lambda lesson, seed: Always(Act.CUT_BOOST),
    "always cuts, calls the pump": lambda lesson, seed: Always(Act.CUT_BOOST, "pump"),
    "always pulls timing": lambda lesson, seed: Always(Act.PULL_TIMING),
    "says nothing is wrong": lambda lesson, seed: Always(Act.HOLD, NOTHING_WRONG),
    "calls at random": lambda lesson, seed: Caller(seed, lesson.scenario.duration_s),
    "calls all day": lambda lesson, seed: Caller(seed, lesson.scenario.duration_s, 2.0),
    GUARD: lambda lesson, seed: GuardsCall(lesson.scenario.rig),
    ATTENTIVE: lambda lesson, seed: Attentive(
        lesson.scenario.rig, acts=lesson.failsafe is not Failsafe.ON
    ),
}


def play(
    lesson: Lesson, seed: int, player: str, *, compiled: bool | None = None
) -> tuple[Ride, Case]:
    """Drive a lesson to its end as one of ``PLAYERS``; return the ride and its truth."""
    scenario, case = lesson.ride_plan(seed)
    failsafe = Failsafe.ON if player == GUARD else lesson.failsafe
    ride = Ride(scenario, seed, failsafe=failsafe, late_by_s=lesson.late_by_s, compiled=compiled)
    made = PLAYERS[player](lesson, seed)
    while not ride.finished:
        left_s = min(made.due_s, scenario.duration_s) - ride.time_s
        idle = round(left_s * scenario.rate_hz) - 2  # samples, and some to spare
        if idle > 0:
            ride.drive(idle)
        else:
            made.look(ride, ride.step())
    return ride, case


def scores(
    lesson: Lesson, seed: int, players: Iterable[str], *, compiled: bool | None = None
) -> dict[str, Score]:
    """Return what players score in a lesson with this seed.

    All are judged by the first sign that a ride shows in which nobody acts.

    Args:
        lesson: The lesson.
        seed: 0 or more.
        players: Of ``PLAYERS``.
        compiled: As for ``Ride``.
    """
    idle, case = play(lesson, seed, NOBODY, compiled=compiled)
    truth = debrief(idle, compiled=compiled)
    found = {}
    for name in players:
        ride = idle if name == NOBODY else play(lesson, seed, name, compiled=compiled)[0]
        told = replace(truth, answers=ride.answers, driven=ride.report, lasted_s=ride.time_s)
        found[name] = score(told, lesson, case)
    return found
