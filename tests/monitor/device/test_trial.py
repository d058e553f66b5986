"""Answers are timed from the sample with the onset; false ones counted; never stays never."""

from collections.abc import Callable
from dataclasses import replace
from math import inf
from typing import Any

import pytest

from monitor.device import trial
from monitor.device.base import HELD, RELEASED
from monitor.device.fake import FakeEar
from monitor.device.trial import SETTLE_S, DeviceRun, Played, device_runs
from monitor.send.paced import Lost, Target
from rules.channels import Sample
from rules.facts import Action
from simulator.plant import Do, Fault, FaultKind, Scenario, Step
from simulator.strict import BadInput
from tests.kit.recordings import BRINDLE

ONSET_S = 0.5
STOP = Fault(FaultKind.PUMP_STOP, at_s=ONSET_S)
DRIVE = Scenario("short", "Nothing.", BRINDLE.rig, (Step(Do.CRUISE, 1.0, 3),), (STOP,))
SENDING_S = 0.0005  # it takes to write a sample


class Clock:
    """Steady time that passes only where somebody waits, or writes.

    Attributes:
        time_s: What it shows.
    """

    def __init__(self) -> None:
        self.time_s = 50.0

    def wait(self, for_s: float) -> None:
        """Let time pass."""
        self.time_s += for_s


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """The time of a bench."""
    shown = Clock()

    class Threading:
        Event = staticmethod(lambda: shown)

    monkeypatch.setattr(trial, "threading", Threading)
    monkeypatch.setattr(trial, "now_s", lambda: shown.time_s)
    return shown


class Device(Target):
    """A device that gets samples; what it does about each is up to the test.

    Attributes:
        times_s: Of all samples that came.
        closed: Whether it was closed.
    """

    name = "device"
    expected = "a device that stays"

    def __init__(self, clock: Clock, ear: FakeEar, act: Callable[["Device", float], None]) -> None:
        self.clock = clock
        self.ear = ear
        self.times_s: list[float] = []
        self.sent_s: list[float] = []
        self.closed = False
        self._act = act

    def send(self, sample: Sample, number: int) -> None:
        """Take a sample."""
        assert number == len(self.times_s)
        self.times_s.append(sample.time_s)
        self.sent_s.append(self.clock.time_s)
        self.clock.wait(SENDING_S)
        self._act(self, sample.time_s)

    def says(self, action: Action, after_s: float = 0.0) -> None:
        """Say something, so long after now."""
        self.ear.say(action, self.clock.time_s + after_s)

    def flush(self) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Remember it."""
        self.closed = True


def runs(
    clock: Clock,
    act: Callable[[Device, float], None],
    *drives: Scenario,
    **options: Any,
) -> tuple[list[DeviceRun], Device]:
    """Play drives to a device that acts so; return its runs, and the device."""
    ear = FakeEar()
    device = Device(clock, ear, act)
    played = [Played(i, drive, i) for i, drive in enumerate(drives or (DRIVE,))]
    found = list(device_runs(played, device, ear, **options))
    assert (device.closed, ear.opened) == (True, False)
    return found, device


def acting_at(*turns: tuple[float, Action]) -> Callable[[Device, float], None]:
    """Return a device that says each action once its data's time has come; held before."""

    def act(device: Device, time_s: float) -> None:
        said = [action for at_s, action in turns if time_s >= at_s - 1e-9]
        device.says(said[-1] if said else HELD)

    return act


FIRST_S = SETTLE_S  # of the bench's time the first drive begins here, where the device holds


def test_an_answer_counts_from_the_sample_with_the_onset(clock: Clock) -> None:
    """Let go in the sample 70 ms later: by so much, and what writing takes, after its sending."""
    ((run,), _) = runs(clock, acting_at((FIRST_S + ONSET_S + 0.07, RELEASED)))
    (answer,) = run.answers
    assert (answer.fault, answer.held) == ("pump_stop", True)
    assert answer.onset_s == pytest.approx(ONSET_S, abs=0.011)
    assert answer.pull_s == pytest.approx(0.07 + SENDING_S, abs=0.0101)
    assert answer.warn_s == answer.pull_s == answer.cut_s
    # Sent with the next sample after it, when that was due.
    assert 0.0 <= answer.sent_after_s <= 0.0101
    assert (run.false_answers, run.number, run.seed) == (0, 0, 0)
    assert run.calm_s == pytest.approx(ONSET_S, abs=0.02)
    assert run.late_s < 1e-6


def test_samples_are_sent_when_they_are_due_and_time_runs_on(clock: Clock) -> None:
    """Over both runs: a device sees one drive, its times rising evenly, in real time."""
    ((first, second), device) = runs(clock, lambda d, _: d.says(HELD), DRIVE, DRIVE)
    steps = [b - a for a, b in zip(device.times_s, device.times_s[1:], strict=False)]
    assert steps == pytest.approx([0.01] * len(steps))
    assert len(device.times_s) == pytest.approx(100 * 2.0 * (SETTLE_S + 1.0), abs=3)
    behind = [sent - due for sent, due in zip(device.sent_s, device.times_s, strict=True)]
    assert behind == pytest.approx([behind[0]] * len(behind), abs=1e-6)
    # It never let go: never, as far as is known.
    for run in (first, second):
        assert [(a.held, a.pull_s) for a in run.answers] == [(True, inf)]
    assert [run.seed for run in (first, second)] == [0, 1]


def test_actions_are_told_apart(clock: Clock) -> None:
    """A device that warns, pulls and cuts, each later."""
    onset_s = FIRST_S + ONSET_S
    turns = ((onset_s + 0.05, Action.WARN), (onset_s + 0.1, Action.PULL_TIMING))
    ((run,), _) = runs(clock, acting_at(*turns, (onset_s + 0.2, Action.CUT_BOOST)))
    (answer,) = run.answers
    assert answer.pull_s - answer.warn_s == pytest.approx(0.05, abs=1e-6)
    assert answer.cut_s - answer.pull_s == pytest.approx(0.1, abs=1e-6)
    assert run.false_answers == 0


def test_an_answer_after_the_drive_is_none(clock: Clock) -> None:
    """The next run's calm is no part of it, and the device comes back in it before that begins."""
    ends_s = FIRST_S + 1.0
    turns = ((ends_s + 0.02, RELEASED), (ends_s + 2.5, HELD), (ends_s + 3.2, RELEASED))
    ((first, second), device) = runs(clock, acting_at(*turns), DRIVE, DRIVE)
    assert first.answers[0].pull_s == inf
    assert second.answers[0].held
    assert second.answers[0].pull_s == pytest.approx(0.2, abs=0.03)
    assert device.times_s[-1] == pytest.approx(ends_s + 2.5 + 1.0, abs=0.02)


def test_false_answers_are_counted_before_the_onset_alone(clock: Clock) -> None:
    """Twice let go in the calm part; what stands released at the onset can't be timed."""
    begins_s = FIRST_S
    turns = [
        *((begins_s + 0.1, RELEASED), (begins_s + 0.2, HELD)),
        *((begins_s + 0.3, RELEASED), (begins_s + 0.6, HELD), (begins_s + 0.7, RELEASED)),
    ]
    ((run,), _) = runs(clock, acting_at(*turns))
    assert run.false_answers == 2
    assert (run.answers[0].held, run.answers[0].pull_s) == (False, inf)
    ((calm,), _) = runs(clock, acting_at(*turns), replace(DRIVE, faults=()))
    assert (calm.answers, calm.false_answers) == ((), 3)
    assert calm.calm_s == pytest.approx(1.0, abs=0.02)


def test_a_device_that_does_not_come_back_is_not_waited_for_for_ever(clock: Clock) -> None:
    """The drive is played all the same, and says that nothing was held."""
    latched = acting_at((FIRST_S + ONSET_S + 0.1, RELEASED))
    ((first, second), device) = runs(clock, latched, DRIVE, DRIVE, ready_s=2.0)
    assert first.answers[0].held
    assert not second.answers[0].held
    assert second.false_answers == 0
    assert device.times_s[-1] == pytest.approx(SETTLE_S + 1.0 + SETTLE_S + 2.0 + 1.0, abs=0.02)


def test_a_device_that_never_holds_is_one_line(clock: Clock) -> None:
    """Wired the other way round, say: there is nothing to time, in no run."""
    with pytest.raises(BadInput, match="fake: found an output that is not held within 3 s of calm"):
        runs(clock, lambda d, _: d.says(RELEASED), DRIVE, DRIVE, ready_s=2.0)


def test_faults_that_never_begin_and_that_stop_all_samples(clock: Clock) -> None:
    """The one has no onset; the other counts from when its sample was due."""
    never = Fault(FaultKind.PUMP_STOP, above_boost_kpa=500.0)
    unplugged = Fault(FaultKind.UNPLUGGED, at_s=ONSET_S)
    drive = replace(DRIVE, faults=(never, unplugged))

    def act(device: Device, time_s: float) -> None:
        device.says(HELD)
        if time_s >= FIRST_S + ONSET_S - 0.015:
            device.says(RELEASED, after_s=0.2)

    ((run,), _) = runs(clock, act, drive)
    one, other = run.answers
    assert (one.onset_s, one.held, one.pull_s) == (inf, False, inf)
    assert other.fault == "unplugged"
    assert other.pull_s == pytest.approx(0.2, abs=0.03)


def test_what_goes_away_is_one_line(clock: Clock) -> None:
    """The device's input, or its output; both ends are closed."""

    def unplugged(device: Device, time_s: float) -> None:
        device.says(HELD)
        if time_s > 0.1:
            raise Lost("the plug was pulled")

    with pytest.raises(BadInput, match=r"device: found lost after \d+ samples \(the plug"):
        runs(clock, unplugged)

    def deaf(device: Device, time_s: float) -> None:
        device.says(HELD)
        if time_s > 0.1:
            device.ear.heard.fault = "the port is gone"

    ear = FakeEar()
    device = Device(clock, ear, deaf)
    with pytest.raises(BadInput, match=r"--listen: fake: found the port is gone after \d+ samples"):
        list(device_runs([Played(0, DRIVE, 0)], device, ear))
    assert device.closed
    assert not ear.opened


def test_a_busy_machine_is_told(clock: Clock) -> None:
    """A hold-up of 0.3 s shows as samples sent so late, for this run alone."""
    held_up = [False]

    def act(device: Device, time_s: float) -> None:
        device.says(HELD)
        if time_s > FIRST_S + 0.2 and not held_up[0]:
            held_up[0] = True
            clock.wait(0.3)

    ((late, good), _) = runs(clock, act, DRIVE, DRIVE)
    assert late.late_s == pytest.approx(0.3, abs=0.02)
    assert good.late_s < 1e-6
