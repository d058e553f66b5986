"""A device's answers are judged as a simulated guard's are, and what can't be told never passes."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from math import inf, isnan
from typing import Any

import pytest

from monitor.device.base import HELD, RELEASED
from monitor.device.fake import FakeEar
from monitor.device.trial import DeviceRun, FaultAnswer
from monitor.proof import on_device
from monitor.proof.junit import as_junit
from monitor.proof.on_device import DeviceProof, Stage, outcome_of
from monitor.proof.words import as_table
from rules.facts import Action
from simulator.proof.outcomes import Cars
from simulator.proof.proving import HEALTHY, Came, Job
from simulator.proof.results import Proof, Verdict
from simulator.strict import BadInput
from tests.kit.proofs import QUICK, brindle, requirements
from tests.monitor.device.test_trial import DRIVE, ONSET_S, Clock, Device, clock

__all__ = ["clock"]
FIRST = QUICK.partition('[[requirements]]\nname = "nothing')[0]
CALM = """
[[calm]]
name = "let be"
action = "pull_timing"
at_most_per_100_h = 1
of = "driving"
"""
HARM = FIRST.replace('share = "70 %"', 'harm_at_most = 2\nshare = "70 %"', 1)
ABOUT = {
    **{"requirements": "Quick", "requirements_sha256": "0" * 64, "version": "1", "code": "c"},
    **{"rig": "B", "rig_sha256": "1" * 64, "car": "B", "car_sha256": "1" * 64, "seed_set": 0},
    "device": "fed at x, its output fake",
}


def run(*answers: FaultAnswer, **more: Any) -> DeviceRun:
    """Return a run in which a device answered so."""
    return DeviceRun(0, 7, answers, more.pop("false_answers", 0), 2.0, 0.0, **more)


def answered(pull_s: float = 0.2, warn_s: float = 0.1, *, held: bool = True) -> FaultAnswer:
    """Return an answer that was sent 4 ms after the onset."""
    return FaultAnswer("pump_stop", 3.0, 0.004, held, warn_s, pull_s)


def test_an_answer_counts_from_the_onset() -> None:
    """Not from the sample's sending; and what nobody knows is no number."""
    outcome = outcome_of(9, run(answered()), tells_action=True)
    assert (outcome.number, outcome.onset_s, outcome.cut_s) == (9, 3.0, inf)
    assert (outcome.warn_s, outcome.pull_s) == pytest.approx((0.104, 0.204))
    assert (outcome.worst, outcome.before) == (Action.PULL_TIMING, Action.NO_ACTION)
    assert isnan(outcome.harm)
    assert isnan(outcome.work_lost_kj)


def test_an_output_that_only_lets_go() -> None:
    """It counts for any action asked for, and for a warning where it is asked what is allowed."""
    let_go = FaultAnswer("pump_stop", 3.0, 0.0, True, 0.2, 0.2, 0.2)
    outcome = outcome_of(0, run(let_go), tells_action=False)
    assert (outcome.warn_s, outcome.cut_s, outcome.worst) == (0.2, 0.2, Action.WARN)


@pytest.mark.parametrize("tells_action", [True, False])
def test_let_go_before_the_fault_is_no_answer(tells_action: bool) -> None:
    """It is told as what it was."""
    early = run(answered(inf, inf, held=False), false_answers=1)
    outcome = outcome_of(0, early, tells_action=tells_action)
    assert outcome.pull_s == inf
    assert outcome.before >= Action.PULL_TIMING
    assert outcome.worst > Action.NO_ACTION


def test_a_fault_that_never_began_is_no_run() -> None:
    """Of two, the first counts."""
    assert not outcome_of(0, run(FaultAnswer("air")), tells_action=True).began
    assert outcome_of(0, run(FaultAnswer("air"), answered()), tells_action=True).began


class Bench:
    """A short drive for every run, and a device that lets go so long after the onset.

    Attributes:
        kept: What was finished.
        played: How often a drive was handed out.
    """

    def __init__(self, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
        self.kept: dict[Job, Came] = {}
        self.played = 0
        self._clock = clock
        monkeypatch.setattr(on_device, "stage", self._stage)

    def _stage(self, cars: Cars, row: object, number: int) -> Stage:
        self.played += 1
        return Stage(number, DRIVE if number else None, 7, 0.25)

    def proves(
        self,
        text: str,
        act: Callable[[Device, float], None],
        *,
        tells_action: bool = False,
        most_runs: int = 40,
    ) -> Proof:
        """Play until it is decided."""
        asked = requirements(text)
        rig = brindle().rig
        cars = Cars(rig, rig, asked.population)
        ear = FakeEar(tells_action=tells_action)
        proof = DeviceProof(asked, cars, most_runs, tells_action=tells_action)
        device = Device(self._clock, ear, act)
        with ThreadPoolExecutor(1) as ahead:
            kept = dict(self.kept)
            proof.play(device, ear, ahead, kept=kept, keep=self.kept.__setitem__, ready_s=1.0)
        assert (device.closed, ear.opened) == (True, False)
        return proof.proof(ABOUT, unfinished=False)


@pytest.fixture
def bench(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """A bench whose time passes only where somebody waits."""
    return Bench(clock, monkeypatch)


class Answering:
    """A device that lets go so long after a drive's stop of the pump, told by its flow."""

    def __init__(self, after_s: float) -> None:
        self._after_s = after_s
        self._begun_s = -1.0

    def __call__(self, device: Device, time_s: float) -> None:
        """Look at the time: each run is a second of settling and a second of drive."""
        in_run_s = time_s % 2.0
        device.says(RELEASED if 1.0 + ONSET_S + self._after_s <= in_run_s + 1e-9 else HELD)


def test_a_row_is_decided_run_by_run(bench: Bench) -> None:
    """As soon as it can be; a car that doesn't get there counts for nothing."""
    proof = bench.proves(FIRST, Answering(0.1))
    (row,) = proof.rows
    assert row.verdict is Verdict.PASS
    assert len(row.begun) == len(row.outcomes) - 1 < 16
    assert row.delays_s == pytest.approx([0.1] * len(row.begun), abs=0.03)
    bench.kept.clear()
    late = bench.proves(FIRST.replace('"400 ms"', '"50 ms"'), Answering(0.1))
    assert late.verdict is Verdict.FAIL
    assert "came late" in late.rows[0].reason


def test_harm_is_not_judged_and_never_passes(bench: Bench) -> None:
    """The rest is, and a fail stays one."""
    proof = bench.proves(HARM, Answering(0.1))
    assert proof.rows[0].passed > 0
    assert proof.verdict is Verdict.UNDECIDED
    assert proof.rows[0].reason == "what is judged passes; not judged: knock harm"
    assert proof.as_json()["requirements"][0]["outcomes"]["harm"][1] is None
    text = "\n".join(as_table(proof, lambda row, run: f"again {row}:{run}"))
    assert "a device fed at x, its output fake" in text
    assert "kJ lost" not in text
    assert b"skipped" in as_junit(proof, lambda row, run: "again")
    bench.kept.clear()
    never = bench.proves(HARM, lambda device, _: device.says(HELD))
    assert never.verdict is Verdict.FAIL
    assert never.rows[0].reason.endswith("; not judged: knock harm")


def test_at_most_needs_an_output_that_tells(bench: Bench) -> None:
    """Else such a row isn't even played; that nothing is done at all can be told."""
    proof = bench.proves(QUICK, Answering(0.1))
    assert [row.verdict for row in proof.rows] == [Verdict.PASS, Verdict.UNDECIDED]
    assert proof.rows[1].reason == "not judged: whether more is done than warn"
    assert proof.rows[1].outcomes == ()
    bench.kept.clear()
    told = bench.proves(QUICK, Answering(0.1), tells_action=True)
    assert [row.verdict for row in told.rows] == [Verdict.PASS, Verdict.FAIL]
    bench.kept.clear()
    nothing = QUICK.replace('"warn"', '"no_action"')
    proof = bench.proves(nothing, Answering(0.1))
    assert [row.verdict for row in proof.rows] == [Verdict.PASS, Verdict.FAIL]


def test_broken_off_it_goes_on(bench: Bench) -> None:
    """What was played isn't played again, and the proof is the same."""
    whole = bench.proves(FIRST + CALM, Answering(0.1))
    played = bench.played
    bench.kept = {job: came for job, came in bench.kept.items() if job.chunk < 3}
    again = bench.proves(FIRST + CALM, Answering(0.1))
    assert bench.played - played == played - 3
    assert again.rows[0].delays_s == pytest.approx(whole.rows[0].delays_s, abs=0.011)
    played = bench.played
    assert bench.proves(FIRST + CALM, Answering(0.1)).as_json() == again.as_json()
    assert bench.played == played


def test_what_went_before_each_fault_is_counted(bench: Bench) -> None:
    """Hours so short decide nothing, and say so; false answers are counted."""
    proof = bench.proves(FIRST + CALM, Answering(0.1))
    (calm,) = proof.calms
    runs = [job for job in bench.kept if job.row == HEALTHY]
    # While the last is played nobody knows that it decides, so one more may follow.
    assert len(runs) in (len(proof.rows[0].begun), len(proof.rows[0].begun) + 1)
    assert (calm.verdict, calm.count) == (Verdict.UNDECIDED, 0)
    assert calm.hours == pytest.approx(len(runs) * ONSET_S / 3600.0, rel=0.1)
    assert "h of driving decide nothing" in calm.reason
    bench.kept.clear()

    def nervous(device: Device, time_s: float) -> None:
        device.says(RELEASED if 1.2 <= time_s % 2.0 < 1.3 else HELD)

    false = bench.proves(FIRST + CALM.replace("driving", "spraying"), nervous)
    assert false.calms[0].verdict is Verdict.FAIL
    runs = [job for job in bench.kept if job.row == HEALTHY]
    assert false.calms[0].count == len(runs)
    assert false.calms[0].hours == pytest.approx(len(runs) * 0.25 / 3600.0)


def test_a_machine_that_sends_late_is_no_fault_of_the_device(bench: Bench, clock: Clock) -> None:
    """A device that takes the silence for a fault is right; its answer to a fault still counts."""
    silences = iter((True,))

    def startled(device: Device, time_s: float) -> None:
        if 1.2 <= time_s < 1.3 and next(silences, False):
            clock.wait(0.2)
            device.says(RELEASED)
        else:
            Answering(0.1)(device, time_s)

    proof = bench.proves(FIRST + CALM, startled)
    assert next(silences, None) is None
    assert (proof.calms[0].count, proof.rows[0].verdict) == (0, Verdict.PASS)


def test_an_output_that_stays_let_go_is_told(bench: Bench) -> None:
    """A latch that nobody resets is no failure of every run behind it; what was done is kept."""

    def latches(device: Device, time_s: float) -> None:
        device.says(RELEASED if time_s > 1.0 + ONSET_S + 0.1 else HELD)

    with pytest.raises(BadInput, match="stays let go though nothing is wrong any more"):
        bench.proves(FIRST, latches)
    assert len([job for job in bench.kept if job.row == 0]) == 2  # one, and one not reached


def test_a_killed_process_is_one_line(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """That finds the next run's onset."""

    def killed(*_: object) -> Stage:
        raise BrokenProcessPool

    monkeypatch.setattr(on_device, "stage", killed)
    with pytest.raises(BadInput, match="found a process of the proof killed"):
        bench.proves(FIRST, Answering(0.1))


def test_a_file_of_which_nothing_can_be_told() -> None:
    """It is refused before anything is played."""
    asked = requirements(CALM.replace("[[calm]]", 'name = "x"\n[[calm]]', 1))
    rig = brindle().rig
    with pytest.raises(BadInput, match="found no requirement of which"):
        DeviceProof(asked, Cars(rig, rig, asked.population), 10, tells_action=True)
