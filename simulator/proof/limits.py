"""The same cars under guards of other limits: what a calmer one costs, what a quicker one saves.

From a guard's first action on its limit feeds back into the car. So each limit drives its cars
anew: delays and harm are what that guard brings about, not what one run tells of others. Healthy
drives are driven once, each limit's own guard watching.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from multiprocessing import get_context
from typing import Any, Final, NamedTuple, TypeAlias

from rules.facts import Action
from rules.step.evidence import MOST_RATIO
from rules.step.from_rig import limit_nats
from simulator.proof.driving import outing
from simulator.proof.false_pulls import Watched, watch_outing
from simulator.proof.outcomes import CHUNK, Cars, Outcome, run_chunk
from simulator.proof.population import draw
from simulator.proof.proving import KILLED, end_silently
from simulator.proof.results import RowResult
from simulator.proof.tail import extrapolated
from simulator.strict import BadInput

TIMES: Final = (0.01, 0.1, 1.0, 10.0, 100.0)  # what the rig's own debt.false_pull_every is tried at
RUNS: Final = 2 * CHUNK
DRIVES: Final = 10 * CHUNK  # healthy ones: some 18 h
Task: TypeAlias = tuple[Callable[..., Any], tuple[Any, ...]]
_CONFIDENCE: Final = 0.95
_HOURS: Final = 100.0


class AtLimit(NamedTuple):
    """A requirement's first cars under one limit.

    Attributes:
        every_h: ``debt.false_pull_every``, hours of spraying.
        own: Whether that is the rig's own.
        outcomes: The runs in which the fault began.
        false_pulls: How often evidence of missing spray gets there while all is well, in 100 h of
            spraying, told from its lower peaks: the likeliest, the least and the most at 95 %
            confidence each; None: not told.
    """

    every_h: float
    own: bool
    outcomes: tuple[Outcome, ...]
    false_pulls: tuple[float, float, float] | None = None


def at_limits(
    cars: Cars,
    rows: Sequence[RowResult],
    *,
    healthy: bool = False,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[tuple[AtLimit, ...], ...]:
    """Return for each row its first ``RUNS`` cars at each limit; nothing where no action is asked.

    Args:
        cars: The cars that were driven.
        rows: What they came to.
        healthy: Tell the false pulls, too, from ``DRIVES`` healthy drives.
        jobs: Processes; 1 runs here. The result is the same whatever their number.
        progress: Called with chunks done and chunks in all.

    Raises:
        BadInput: A process was killed.
    """
    asking = [row.requirement for row in rows if _asks(row)]
    guarded = [with_limit(cars, times) for times in TIMES]
    tasks: list[Task] = [
        (run_chunk, (other, requirement, chunk))
        for requirement in asking
        for other in guarded
        for chunk in range(RUNS // CHUNK)
    ]
    if healthy and asking:
        tasks += [(watch_chunk, (guarded, chunk)) for chunk in range(DRIVES // CHUNK)]
    came: list[Any] = []
    for one in in_order(tasks, jobs):
        came.append(one)
        if progress is not None:
            progress(len(came), len(tasks))
    runs = len(asking) * len(TIMES) * RUNS // CHUNK
    drives = [drive for chunk in came[runs:] for drive in chunk]
    told = [_told(other, [drive[i] for drive in drives]) for i, other in enumerate(guarded)]
    chunks = iter(came[:runs])
    return tuple(tuple(_of(guarded, chunks, told)) if _asks(row) else () for row in rows)


def watch_chunk(guarded: Sequence[Cars], chunk: int) -> list[list[Watched]]:
    """Drive one chunk of healthy cars; return of each what every guard said, in their order."""
    cars = guarded[0]
    drawn = (draw(cars.population, chunk * CHUNK + i, cars.seed_set) for i in range(CHUNK))
    guards = [other.guard for other in guarded]
    return [watch_outing(outing(cars.driven, one), guards) for one in drawn]


def with_limit(cars: Cars, times: float) -> Cars:
    """Return the same cars, their guard's ``debt.false_pull_every`` so many times its own."""
    debt = cars.guard.debt
    debt = replace(debt, false_pull_every_h=times * debt.false_pull_every_h)
    return replace(cars, guard=replace(cars.guard, debt=debt), car=cars.driven)


def _asks(row: RowResult) -> bool:
    return row.requirement.at_least is not Action.NO_ACTION and bool(row.begun)


def _told(cars: Cars, healthy: Sequence[Watched]) -> tuple[float, float, float] | None:
    limit = limit_nats(cars.guard)
    peaks, sprayed_s = [one.peaks_nats for one in healthy], [one.sprayed_s for one in healthy]
    tail = extrapolated(peaks, sprayed_s, limit, _CONFIDENCE, MOST_RATIO * limit)
    if tail.refused:
        return None
    return _HOURS * tail.rate_per_h, _HOURS * tail.low_per_h, _HOURS * tail.high_per_h


def _of(
    guarded: Sequence[Cars],
    chunks: Iterator[list[Outcome]],
    told: Sequence[tuple[float, float, float] | None],
) -> Iterator[AtLimit]:
    for times, cars, false_pulls in zip(TIMES, guarded, told, strict=True):
        outcomes = [outcome for _ in range(RUNS // CHUNK) for outcome in next(chunks)]
        begun = tuple(outcome for outcome in outcomes if outcome.began)
        yield AtLimit(cars.guard.debt.false_pull_every_h, times == 1.0, begun, false_pulls)


def in_order(tasks: Sequence[Task], jobs: int) -> Iterator[Any]:
    """Yield what each task comes to, in order.

    Args:
        tasks: Each a function of a module, and its arguments.
        jobs: Processes; 1 runs here.

    Raises:
        BadInput: A process was killed.
    """
    if jobs <= 1 or not tasks:
        yield from map(_task, tasks)
        return
    # Fresh processes: what a forked copy of a threaded process holds is anyone's guess.
    context = get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=end_silently) as pool:
        try:
            yield from pool.map(_task, tasks)
        except BrokenProcessPool:
            raise BadInput(KILLED) from None


def _task(task: Task) -> Any:
    function, arguments = task
    return function(*arguments)
