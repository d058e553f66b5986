"""A proof of a failsafe device on the bench: a row's cars are played to it, its answers judged.

Each run is the car that a simulated proof drives under that number, its fault at the same moment;
the device's output is listened to, in real time (``monitor.device``).
"""

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from math import isfinite, nan
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.device.base import RELEASED, Ear
from monitor.device.trial import READY_S, DeviceRun, Played, device_runs
from monitor.proof.open_loop import anything_judged, limited, not_judged
from monitor.send.paced import Target
from rules.facts import Action
from rules.step.from_rig import constants_of
from rules.step.state import N_FINDINGS
from simulator.plant import Scenario
from simulator.proof.calm import counted_alone
from simulator.proof.false_pulls import Watched, counted
from simulator.proof.outcomes import Cars, Outcome, staged
from simulator.proof.proving import HEALTHY, KILLED, Came, Job, Proving, Standing, new_jobs
from simulator.proof.requirements import Requirement, Requirements
from simulator.proof.results import Proof, RowResult, Verdict
from simulator.runs import Drive
from simulator.strict import BadInput

DOES_NOT_PROVE: Final = (
    "A simulated car is not the car, and this one hears nothing of what the device does: this "
    "shows when the device's output answered what was played to it, with these cables and this "
    "machine, and nothing of harm or of work lost. The dry limit is proven on a dyno, and the "
    "failsafe by a trip in the car."
)
# By so much, and a device may well act on the silence, as ours does: that speaks of this machine.
TOO_LATE_S: Final = 0.1
_NOTHING: Final = np.zeros((N_FINDINGS, 3), dtype=int)


class Stage(NamedTuple):
    """A run that may be played.

    Attributes:
        number: Which car.
        scenario: What to play; None: this car doesn't get where the fault begins.
        seed: The car's.
        sprayed_s: How long spray is commanded before the fault, s.
    """

    number: int
    scenario: Scenario | None
    seed: int
    sprayed_s: float


def stage(cars: Cars, requirement: Requirement, number: int) -> Stage:
    """Find when a run's fault begins, and what goes before it."""
    scenario, drawn, _ = staged(cars, requirement, number)
    if scenario is None:
        return Stage(number, None, drawn.seed, 0.0)
    onset_s = min(fault.at_s for fault in scenario.faults)
    twin = Drive(replace(scenario, faults=()), drawn.seed, guarded=False, compiled=True)
    before = (block.decisions[block.came_s < onset_s] for block in twin)
    watched = counted(constants_of(scenario.rig).nil_ml_min, before)
    return Stage(number, scenario, drawn.seed, watched.sprayed_s)


class DeviceProof:
    """A proof of a device, run by run.

    Args:
        requirements: What is to be proven.
        cars: Which cars it is played.
        most_runs: So many runs a row decide, or nothing does.
        tells_action: Whether its output tells which action it takes, or only lets go.

    Attributes:
        late_s: How late, at most, a sample was sent to it, s: this machine was busy then.
        not_counted: Runs that are not counted among healthy drives, since one was sent too late.
    """

    def __init__(
        self, requirements: Requirements, cars: Cars, most_runs: int, *, tells_action: bool
    ) -> None:
        self.late_s = 0.0
        self.not_counted = 0
        self._asked = requirements
        self._tells_action = tells_action
        rows = tuple(
            row
            for row in requirements.requirements
            if anything_judged(row, tells_action=tells_action)
        )
        if not rows:
            raise BadInput(
                "prove: found no requirement of which a device's output tells anything, expected "
                "one with action_at_least: healthy drives are counted in those with a fault"
            )
        played = replace(requirements, requirements=rows, calm=())
        self._proving = Proving(played, cars, most_runs, chunk=1)
        self._calm: list[Watched] = []

    def play(
        self,
        target: Target,
        ear: Ear,
        ahead: Executor,
        *,
        kept: Mapping[Job, Came],
        keep: Callable[[Job, Came], None],
        progress: Callable[[Standing], None] | None = None,
        ready_s: float = READY_S,
    ) -> None:
        """Play runs until every row is decided.

        Args:
            target: What the device reads, open; closed at the end.
            ear: What listens to its output; opened and closed here.
            ahead: What finds the next run's onset while one is played: a process of its own, so
                that it holds up no sample.
            kept: Runs that were played before.
            keep: Called with each that is played now.
            progress: Called after each.
            ready_s: How long to wait for an output that is not held.

        Raises:
            BadInput: What is sent to, or listened to, is not there, or went away; or the output is
                not held though nothing is wrong. What was played is kept.
        """
        calm = [came for job, came in sorted(kept.items()) if job.row == HEALTHY]
        self._calm = [watched for (watched,) in calm if isinstance(watched, Watched)]
        waiting: dict[int, tuple[Job, Stage]] = {}
        drives = self._drives(ahead, kept, keep, waiting)
        for run in device_runs(drives, target, ear, ready_s=ready_s):
            job, played = waiting.pop(run.number)
            self._refuse_unheld(run, ear)
            self.late_s = max(self.late_s, run.late_s)
            if run.late_s <= TOO_LATE_S:
                watched = _watched(run, played.sprayed_s)
                keep(Job(HEALTHY, len(self._calm)), [watched])
                self._calm.append(watched)
            else:
                self.not_counted += 1
            outcome = outcome_of(played.number, run, tells_action=self._tells_action)
            keep(job, [outcome])
            self._proving.take(job, [outcome])
            if progress is not None:
                progress(self._proving.standing())

    def proof(self, about: dict[str, Any], *, unfinished: bool) -> Proof:
        """Return what it came to so far."""
        so_far = self._proving.proof(about, unfinished=unfinished)
        came = {row.requirement.name: row for row in so_far.rows}
        rows = tuple(
            limited(
                came.get(row.name, RowResult(row, Verdict.UNDECIDED)),
                not_judged(row, tells_action=self._tells_action),
            )
            for row in self._asked.requirements
        )
        calms = tuple(counted_alone(calm, self._calm) for calm in self._asked.calm)
        return replace(so_far, rows=rows, calms=calms, does_not_prove=DOES_NOT_PROVE)

    def _drives(
        self,
        ahead: Executor,
        kept: Mapping[Job, Came],
        keep: Callable[[Job, Came], None],
        waiting: dict[int, tuple[Job, Stage]],
    ) -> Iterator[Played]:
        jobs = new_jobs(self._proving, {job: _open(came) for job, came in kept.items()})

        def next_one() -> tuple[Job, Future[Stage]] | None:
            job = next(jobs, None)
            if job is None:
                return None
            row = self._proving.requirements.requirements[job.row]
            return job, ahead.submit(stage, self._proving.cars, row, job.chunk)

        one, number = next_one(), 0
        while one is not None:
            job, coming = one
            try:
                found = coming.result()
            except BrokenProcessPool:
                raise BadInput(KILLED) from None
            one = next_one()
            if found.scenario is None:
                nowhere = [_unknown(found.number)]
                keep(job, nowhere)
                self._proving.take(job, nowhere)
            elif not self._proving.done:
                waiting[number] = job, found
                yield Played(number, found.scenario, found.seed)
                number += 1

    @staticmethod
    def _refuse_unheld(run: DeviceRun, ear: Ear) -> None:
        """Refuse a run in which there was nothing to let go, all through."""
        begun = [answer for answer in run.answers if isfinite(answer.onset_s)]
        if begun and not run.false_answers and not any(answer.held for answer in begun):
            raise BadInput(
                f"--listen: {ear.name}: found an output that stays let go though nothing is wrong "
                "any more, expected one that is held again by itself, or a reset by hand; the same "
                "command goes on from there"
            )


def outcome_of(number: int, run: DeviceRun, *, tells_action: bool) -> Outcome:
    """Return what a run on a device showed, counted from the fault's onset, not from its sending.

    An output that only lets go counts for whichever action is asked for at least; for no more than
    a warning, where it is asked what may be done at most.
    """
    answer = min(run.answers, key=lambda one: one.onset_s)
    if not isfinite(answer.onset_s):
        return _unknown(number)
    acts_s = [answer.sent_after_s + s for s in (answer.warn_s, answer.pull_s, answer.cut_s)]
    taken = [act for act, at_s in zip(list(Action)[1:], acts_s, strict=True) if isfinite(at_s)]
    before = Action.NO_ACTION
    if run.false_answers:
        before = Action.PULL_TIMING if tells_action else RELEASED
    worst = max(taken, default=Action.NO_ACTION if answer.held else before)
    if not tells_action:
        worst = min(worst, Action.WARN)
    found = _unknown(number)._replace(onset_s=answer.onset_s, found_s=acts_s[0])
    warn_s, pull_s, cut_s = acts_s
    return found._replace(
        warn_s=warn_s, pull_s=pull_s, cut_s=cut_s, worst=int(worst), before=int(before)
    )


def _unknown(number: int) -> Outcome:
    return Outcome(number, harm=nan, work_lost_kj=nan)


def _open(came: Came) -> Came:
    """Return runs read back: what isn't known is no number there."""
    return [one._replace(harm=nan, work_lost_kj=nan) for one in came if isinstance(one, Outcome)]


def _watched(run: DeviceRun, sprayed_s: float) -> Watched:
    """Return what the device did before the fault, as of any healthy drive."""
    entries = np.array([run.false_warnings, run.false_answers, run.false_cuts])
    return Watched(run.calm_s, min(sprayed_s, run.calm_s), entries, _NOTHING, np.empty(0))
