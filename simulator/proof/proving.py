"""A proof under way: which chunk is wanted next, what has come, when it is done."""

import hashlib
import signal
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeAlias

from simulator import runs
from simulator.coverage import matrix, points
from simulator.plant import sizing, tuning
from simulator.proof import calm, driving, false_pulls, outcomes, population
from simulator.proof.calm import RUNS_A_DRIVE, CalmsSoFar, healthy_chunk
from simulator.proof.false_pulls import Watched
from simulator.proof.outcomes import CHUNK, Cars, Outcome, run_chunk
from simulator.proof.requirements import Requirements
from simulator.proof.results import Proof, RowSoFar
from simulator.strict import BadInput

MOST_RUNS: Final = 4000
DRIVES_A_RUN: Final = 5  # healthy drives that rows without a fault may have, for each such run
HEALTHY: Final = -1  # the row of all those
KILLED: Final = (
    "found a process of the proof killed, expected it to end (is there too little memory? "
    "fewer --jobs need less); the same command goes on from there"
)
_USUAL: Final = 4.0  # runs without a failure that pass, times the share that may fail
_AHEAD: Final = 2  # jobs a worker has waiting
_LOOK_S: Final = 10.0  # so often it is asked how many workers there are


Came: TypeAlias = list[Outcome] | list[Watched]
"""What a job came to: drives where its row is ``HEALTHY``, else runs."""


class Job(NamedTuple):
    """What is run at once: some runs of one row.

    Attributes:
        row: Number of the requirement, from 0; ``HEALTHY`` for those without a fault.
        chunk: Number of the chunk, from 0.
    """

    row: int
    chunk: int


@dataclass(frozen=True, slots=True)
class Standing:
    """How far a proof is.

    Attributes:
        runs: Runs done, for all rows, and healthy drives.
        decided: Rows that need no more.
        rows: Rows in all.
        done: What was done, in runs: a drive is worth some.
        left: About how many are still wanted.
    """

    runs: int
    decided: int
    rows: int
    done: float
    left: float


_MODULES: Final = (
    *(sizing, tuning, runs, points, matrix, population, outcomes, driving, false_pulls, calm),
)


class Proving:
    """A proof under way. It runs nothing itself: ``wanted`` says what to run, ``take`` takes it.

    Whoever runs the jobs, in whatever order and however many at once: the proof is the same.

    Args:
        requirements: What is to be proven.
        cars: On which cars.
        most_runs: So many runs a row decide, or nothing does.
        chunk: Runs a job has.
    """

    def __init__(
        self,
        requirements: Requirements,
        cars: Cars,
        most_runs: int = MOST_RUNS,
        chunk: int = CHUNK,
    ) -> None:
        self.requirements = requirements
        self.cars = cars
        self._chunk = chunk
        self._runs = {
            number: RowSoFar(cars, row, most_runs)
            for number, row in enumerate(requirements.requirements)
        }
        self._calm = CalmsSoFar(cars, requirements.calm, DRIVES_A_RUN * most_runs)
        self._rows: dict[int, Any] = {**self._runs, HEALTHY: self._calm}
        self._most_chunks = {
            number: -(-most_runs * (DRIVES_A_RUN if number == HEALTHY else 1) // chunk)
            for number in self._rows
        }
        self._waiting: dict[int, dict[int, Came]] = {number: {} for number in self._rows}
        self._given = dict.fromkeys(self._rows, 0)
        self._came = dict.fromkeys(self._rows, 0)

    @property
    def done(self) -> bool:
        """Whether no row needs more."""
        return all(row.done for row in self._rows.values())

    def wanted(self) -> Job | None:
        """Return a job nobody was given yet: of the row with fewest; None where there is none."""
        open_rows = [
            (self._given[number], number)
            for number, row in self._rows.items()
            if not row.done and self._given[number] < self._most_chunks[number]
        ]
        if not open_rows:
            return None
        chunk, number = min(open_rows)
        self._given[number] += 1
        return Job(number, chunk)

    def take(self, job: Job, came: Came) -> None:
        """Take what a job came to; in which order they come changes nothing."""
        row, waiting = self._rows[job.row], self._waiting[job.row]
        waiting[job.chunk] = came
        self._came[job.row] += len(came)
        while not row.done and len(row.seen) // self._chunk in waiting:
            row.add(waiting.pop(len(row.seen) // self._chunk))

    def standing(self) -> Standing:
        """Return how far it is."""
        came, drives = sum(self._came.values()), self._came[HEALTHY]
        left = sum(self._left(row) for row in self._runs.values() if not row.done)
        return Standing(
            came,
            sum(row.done for row in self._runs.values()) + self._calm.decided,
            len(self.requirements.requirements) + len(self.requirements.calm),
            came + (RUNS_A_DRIVE - 1.0) * drives,
            left + RUNS_A_DRIVE * self._calm.left,
        )

    def _left(self, row: RowSoFar) -> int:
        """Return about how many more runs a row wants, were it to pass without a failure."""
        n = len(row.seen)
        usual = int(_USUAL / (1.0 - row.requirement.share))
        most = self._most_chunks[0] * self._chunk
        return min(max(usual - n, n // 2, self._chunk), max(most - n, 0))

    def proof(self, about: dict[str, Any], *, unfinished: bool = False) -> Proof:
        """Return what it came to so far."""
        rows = tuple(row.result() for row in self._runs.values())
        return Proof(about, rows, self._calm.results(), unfinished)


def prove_here(
    proving: Proving,
    *,
    jobs: int,
    kept: Mapping[Job, Came],
    keep: Callable[[Job, Came], None],
    progress: Callable[[Standing], None] | None = None,
) -> None:
    """Run a proof to its end on this machine.

    Args:
        proving: The proof.
        jobs: Processes; 1 runs here. The result is the same whatever their number.
        kept: Jobs that were done before.
        keep: Called with each that is done now.
        progress: Called after each.

    Raises:
        KeyboardInterrupt: It was broken off; what was done until then is taken and kept.
        BadInput: A process was killed; likewise.
    """
    if jobs <= 1:
        for job in new_jobs(proving, kept):
            _take(proving, job, run_job(proving.cars, proving.requirements, job), keep, progress)
        return
    # Fresh processes: what a forked copy of a threaded process holds is anyone's guess.
    context = get_context("spawn")
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=end_silently)

    def submit(job: Job) -> Future[Came]:
        return pool.submit(run_job, proving.cars, proving.requirements, job)

    try:
        prove_by(proving, submit, lambda: jobs, kept=kept, keep=keep, progress=progress)
    except BrokenProcessPool:
        raise BadInput(KILLED) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def prove_by(
    proving: Proving,
    submit: Callable[[Job], Future[Came]],
    workers: Callable[[], int],
    *,
    kept: Mapping[Job, Came],
    keep: Callable[[Job, Came], None],
    progress: Callable[[Standing], None] | None = None,
) -> None:
    """Run a proof to its end by whoever runs its jobs; else as ``prove_here``.

    Args:
        proving: The proof.
        submit: Hands a job out.
        workers: How many run at once; asked after each that is done, and now and then.
        kept: Jobs that were done before.
        keep: Called with each that is done now.
        progress: Called after each.
    """
    under_way: dict[Future[Came], Job] = {}
    while True:
        room = max(workers() * _AHEAD - len(under_way), 0)
        for job in islice(new_jobs(proving, kept), room):
            under_way[submit(job)] = job
        if not under_way:
            return
        for future in wait(under_way, _LOOK_S, return_when=FIRST_COMPLETED).done:
            _take(proving, under_way.pop(future), future.result(), keep, progress)


def _take(
    proving: Proving,
    job: Job,
    came: Came,
    keep: Callable[[Job, Came], None],
    progress: Callable[[Standing], None] | None,
) -> None:
    keep(job, came)
    proving.take(job, came)
    if progress is not None:
        progress(proving.standing())


def run_job(cars: Cars, requirements: Requirements, job: Job) -> Came:
    """Run a job, compiled."""
    if job.row == HEALTHY:
        return healthy_chunk(cars, job.chunk)
    return run_chunk(cars, requirements.requirements[job.row], job.chunk)


def code_hash() -> str:
    """Return a short hash of the code that a run's outcome hangs on."""
    from simulator.plant import compiled

    digest = hashlib.sha256(compiled.fingerprint().encode())
    for module in _MODULES:
        digest.update(Path(str(module.__file__)).read_bytes())
    return digest.hexdigest()[:16]


def new_jobs(proving: Proving, kept: Mapping[Job, Came]) -> Iterator[Job]:
    """Yield the jobs that are wanted, and take by itself what was done before."""
    while (job := proving.wanted()) is not None:
        if job in kept:
            proving.take(job, kept[job])
        else:
            yield job


def end_silently() -> None:
    """Let ctrl+c end a worker at once: what it was at is run again."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
