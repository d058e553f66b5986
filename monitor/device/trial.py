"""Drives played to a device in real time, one after the other, and its answers timed.

The device sees one drive without end: its time runs on from run to run. Before each run the car
cruises (or idles, where the drive begins so) until the output is held, so that a device which has
acted may come back. Nothing the device does reaches the car: a bench is an open loop.
"""

import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from math import inf
from typing import Final, NamedTuple

from monitor.clock import now_s
from monitor.device.base import HELD, Change, Ear
from monitor.send.paced import Lost, Target
from rules.channels import Sample
from rules.facts import Action
from simulator.plant import Car, Do, Scenario, Step
from simulator.strict import BadInput

READY_S: Final = 30.0  # to wait for a device that has acted, before each run
_ACTS: Final = (Action.WARN, Action.PULL_TIMING, Action.CUT_BOOST)
SETTLE_S: Final = 1.0  # of calm driving at least, so that what the run before left is over


class Played(NamedTuple):
    """A drive to play: ``number`` is its place among them; ``seed`` makes the car and its noise."""

    number: int
    scenario: Scenario
    seed: int


@dataclass(frozen=True, slots=True)
class FaultAnswer:
    """What the device did about one fault of a run.

    The times to its answers count from when the sample with the fault's true onset was sent (or
    was due, where a fault keeps it from being sent). They are infinite where none came before the
    drive's end: never, for all that is known (censored).

    Attributes:
        fault: The fault's kind, and the channel of a sensor's.
        onset_s: When it began in the drive, s; infinite where it never did.
        sent_after_s: How long after its onset that sample was sent, s.
        held: Whether the output was held then; where not, there was nothing to let go.
        warn_s: To the first warning, or more.
        pull_s: To the first pull of timing, or more.
        cut_s: To the first cut of boost. Where an output doesn't tell which action it takes, all
            three are when it was let go.
    """

    fault: str
    onset_s: float = inf
    sent_after_s: float = 0.0
    held: bool = False
    warn_s: float = inf
    pull_s: float = inf
    cut_s: float = inf


@dataclass(frozen=True, slots=True)
class DeviceRun:
    """One run: one car, one drive, its faults.

    Attributes:
        number: Its place.
        seed: Its car's.
        answers: What was done about each fault, in the scenario's order.
        false_answers: How often the output was let go before the first fault began (or at all,
            where none did).
        calm_s: How long that was, s.
        late_s: How late the latest sample was sent, s: a busy machine is no fault of the device.
        false_warnings: As false_answers, of a warning or more,
        false_cuts: and of a cut of boost.
    """

    number: int
    seed: int
    answers: tuple[FaultAnswer, ...]
    false_answers: int
    calm_s: float
    late_s: float
    false_warnings: int = 0
    false_cuts: int = 0


class _Began(NamedTuple):
    """A fault's onset: in the drive, and when the sample with it was sent (``now_s``)."""

    onset_s: float
    sent_s: float
    sent_after_s: float


@dataclass(slots=True)
class _Window:
    """A run that was played, to be judged once all that the device said in it has been heard."""

    played: Played
    began_s: float
    ended_s: float
    late_s: float
    began: dict[int, _Began]


def device_runs(
    drives: Iterable[Played], target: Target, ear: Ear, *, ready_s: float = READY_S
) -> Iterator[DeviceRun]:
    """Play drives to a device and yield what it did in each; takes as long as they last.

    Args:
        drives: What to play; all with the channels that ``target`` sends.
        target: What the device reads, open; closed at the end.
        ear: What listens to its output; opened and closed here.
        ready_s: How long to wait before each run for an output that is not held.

    Raises:
        BadInput: What is sent to, or listened to, is not there, or went away; or the output is
            never held.
    """
    bench = _Bench(target, ear, ready_s)
    window: _Window | None = None
    try:
        ear.open()
        for played in drives:
            bench.settle(played)
            if window is not None:
                yield _judged(window, ear)
            window = bench.play(played)
        target.flush()
    except Lost as lost:
        raise BadInput(
            f"{target.name}: found lost after {bench.sent} samples ({lost}), expected "
            f"{target.expected}"
        ) from None
    finally:
        ear.close()
        target.close()
    if window is not None:
        yield _judged(window, ear)


class _Bench:
    """Sends samples when they are due, and keeps the time that runs on from drive to drive."""

    def __init__(self, target: Target, ear: Ear, ready_s: float) -> None:
        self.sent = 0
        self._target = target
        self._ear = ear
        self._ready_s = ready_s
        self._waiter = threading.Event()
        self._start_s: float | None = None
        self._passed_s = 0.0
        self._late_s = 0.0

    def settle(self, played: Played) -> None:
        """Drive on calmly until the output is held; not for ever.

        Raises:
            BadInput: It has never been held yet.
        """
        first = played.scenario.drive[0]
        if first.do not in (Do.IDLE, Do.CRUISE):
            first = Step(Do.CRUISE, 0.0, first.gear)
        calm = (replace(first, for_s=SETTLE_S + self._ready_s),)
        begins_s = self._passed_s
        for _, sent_s in self._drive(replace(played.scenario, drive=calm, faults=()), played.seed):
            settled = self._passed_s - begins_s >= SETTLE_S
            if settled and self._ear.heard.says(sent_s) is HELD:
                return
        if not any(change.action is HELD for change in self._ear.heard.changes(now_s())):
            raise BadInput(
                f"--listen: {self._ear.name}: found an output that is not held within "
                f"{SETTLE_S + self._ready_s:zg} s of calm driving, expected a device that holds it "
                "while all is well (wired the other way round, armed, the right rig?)"
            )

    def play(self, played: Played) -> _Window:
        """Play a drive to its end."""
        self._late_s = 0.0
        begins_s, began_s, sent_s = self._passed_s, now_s(), now_s()
        began: dict[int, _Began] = {}
        for car, sent_s in self._drive(played.scenario, played.seed):
            for i in range(len(played.scenario.faults)):
                onset_s = float(car.faults[i].onset_s)
                if i not in began and onset_s <= float(car.state.time_s):
                    # By the bench's own clock; the first sample of all has set its start.
                    true_s = (self._start_s or 0.0) + begins_s + onset_s
                    began[i] = _Began(onset_s, sent_s, sent_s - true_s)
        return _Window(played, began_s, sent_s, self._late_s, began)

    def _drive(self, scenario: Scenario, seed: int) -> Iterator[tuple[Car, float]]:
        """Yield the car after each of its samples, and when that was sent."""
        car = Car(scenario.rig, scenario, seed)
        begins_s = self._passed_s
        while not car.finished:
            samples = car.step(0.0, inf)
            self._passed_s = begins_s + float(car.state.time_s)
            yield car, self._send(samples, begins_s)

    def _send(self, samples: list[Sample], begins_s: float) -> float:
        """Send what comes now, when it is due; return when that was, just before."""
        if self._start_s is None:
            self._start_s = now_s() - self._passed_s
        due_s = self._start_s + self._passed_s
        self._waiter.wait(max(0.0, due_s - now_s()))
        sent_s = now_s()
        self._late_s = max(self._late_s, sent_s - due_s)
        for sample in samples:
            self._target.send(sample._replace(time_s=sample.time_s + begins_s), self.sent)
            self.sent += 1
        if self._ear.heard.fault:
            raise BadInput(
                f"--listen: {self._ear.name}: found {self._ear.heard.fault} after {self.sent} "
                "samples, expected an output that can be heard to the end"
            )
        return sent_s


def _judged(window: _Window, ear: Ear) -> DeviceRun:
    """Say what the device did in a run, from what was heard of it."""
    changes = ear.heard.changes(window.ended_s)
    first_s = min((began.sent_s for began in window.began.values()), default=window.ended_s)
    was = HELD
    false = dict.fromkeys(_ACTS, 0)
    for change in changes:
        if window.began_s < change.at_s <= first_s:
            for act in _ACTS:
                false[act] += was < act <= change.action
        was = change.action
    played = window.played
    return DeviceRun(
        played.number,
        played.seed,
        tuple(
            _answer(f"{fault.kind.word} {fault.channel}".strip(), window.began.get(i), changes)
            for i, fault in enumerate(played.scenario.faults)
        ),
        false[Action.PULL_TIMING],
        first_s - window.began_s,
        window.late_s,
        false[Action.WARN],
        false[Action.CUT_BOOST],
    )


def _answer(fault: str, began: _Began | None, changes: list[Change]) -> FaultAnswer:
    if began is None:
        return FaultAnswer(fault)
    before = [change.action for change in changes if change.at_s <= began.sent_s]
    held = bool(before) and before[-1] < Action.PULL_TIMING
    if not held:
        return FaultAnswer(fault, began.onset_s, began.sent_after_s)
    warn_s, pull_s, cut_s = (
        next(
            (
                change.at_s - began.sent_s
                for change in changes
                if change.at_s > began.sent_s and change.action >= least
            ),
            inf,
        )
        for least in _ACTS
    )
    return FaultAnswer(fault, began.onset_s, began.sent_after_s, True, warn_s, pull_s, cut_s)
