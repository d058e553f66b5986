"""The same cars under guards of other limits: what a calmer one costs, what a quicker one saves.

From a guard's first action on its limit feeds back into the car. So each limit drives its cars
anew: delays and harm are what that guard brings about, not what one run tells of others. Healthy
drives are watched once: how often evidence would reach another limit is told from its peaks there.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from typing import Final, NamedTuple

from rules.facts import Action
from rules.step.evidence import MOST_RATIO
from rules.step.from_rig import limit_nats
from simulator.proof.false_pulls import Watched
from simulator.proof.outcomes import CHUNK, Cars, Outcome, run_chunk
from simulator.proof.proving import end_silently
from simulator.proof.requirements import Requirement
from simulator.proof.results import RowResult
from simulator.proof.tail import extrapolated

TIMES: Final = (0.01, 0.1, 1.0, 10.0, 100.0)  # what the rig's own debt.false_pull_every is tried at
RUNS: Final = 2 * CHUNK
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
    healthy: Sequence[Watched] = (),
    *,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[tuple[AtLimit, ...], ...]:
    """Return for each row its first ``RUNS`` cars at each limit; nothing where no action is asked.

    Args:
        cars: The cars that were driven.
        rows: What they came to.
        healthy: What a guard of their limit said of healthy drives.
        jobs: Processes; 1 runs here. The result is the same whatever their number.
        progress: Called with chunks done and chunks in all.
    """
    asking = [row.requirement for row in rows if _asks(row)]
    guarded = [with_limit(cars, times) for times in TIMES]
    tasks = [
        (other, requirement, chunk)
        for requirement in asking
        for other in guarded
        for chunk in range(RUNS // CHUNK)
    ]
    came: list[list[Outcome]] = []
    for outcomes in _run(tasks, jobs):
        came.append(outcomes)
        if progress is not None:
            progress(len(came), len(tasks))
    chunks = iter(came)
    told = [_told(cars, other, healthy) for other in guarded] if asking else []
    return tuple(tuple(_of(guarded, chunks, told)) if _asks(row) else () for row in rows)


def with_limit(cars: Cars, times: float) -> Cars:
    """Return the same cars, their guard's ``debt.false_pull_every`` so many times its own."""
    debt = cars.guard.debt
    debt = replace(debt, false_pull_every_h=times * debt.false_pull_every_h)
    return replace(cars, guard=replace(cars.guard, debt=debt), car=cars.driven)


def _asks(row: RowResult) -> bool:
    return row.requirement.at_least is not Action.NO_ACTION and bool(row.begun)


def _told(cars: Cars, other: Cars, healthy: Sequence[Watched]) -> tuple[float, float, float] | None:
    tail = extrapolated(
        [one.peaks_nats for one in healthy],
        [one.sprayed_s for one in healthy],
        limit_nats(other.guard),
        _CONFIDENCE,
        MOST_RATIO * limit_nats(cars.guard),
    )
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


def _run(tasks: Sequence[tuple[Cars, Requirement, int]], jobs: int) -> Iterator[list[Outcome]]:
    if jobs <= 1 or not tasks:
        yield from (run_chunk(*task) for task in tasks)
        return
    # Fresh processes: what a forked copy of a threaded process holds is anyone's guess.
    context = get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=end_silently) as pool:
        yield from pool.map(_task, tasks)


def _task(task: tuple[Cars, Requirement, int]) -> list[Outcome]:
    return run_chunk(*task)
