"""The same cars under guards of other limits: what a calmer one costs, what a quicker one saves.

From a guard's first action on its limit feeds back into the car. So each limit drives its cars
anew: delays and harm are what that guard brings about, not what one run tells of others.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from typing import Any, Final, NamedTuple, TypeVar

from rules.facts import Action
from simulator.proof.outcomes import CHUNK, Cars, Outcome, run_chunk
from simulator.proof.proving import leave_breaking_off
from simulator.proof.results import RowResult

TIMES: Final = (0.01, 0.1, 1.0, 10.0, 100.0)  # what the rig's own debt.false_pull_every is tried at
RUNS: Final = 2 * CHUNK
T = TypeVar("T")


class AtLimit(NamedTuple):
    """A requirement's first cars under one limit.

    Attributes:
        every_h: ``debt.false_pull_every``, hours of spraying.
        own: Whether that is the rig's own.
        outcomes: The runs in which the fault began.
    """

    every_h: float
    own: bool
    outcomes: tuple[Outcome, ...]


def at_limits(
    cars: Cars,
    rows: Sequence[RowResult],
    *,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[tuple[AtLimit, ...], ...]:
    """Return for each row its first ``RUNS`` cars at each limit; nothing where no action is asked.

    Args:
        cars: The cars that were driven.
        rows: What they came to.
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
    for outcomes in in_order(run_chunk, tasks, jobs):
        came.append(outcomes)
        if progress is not None:
            progress(len(came), len(tasks))
    chunks = iter(came)
    return tuple(tuple(_of(guarded, chunks)) if _asks(row) else () for row in rows)


def with_limit(cars: Cars, times: float) -> Cars:
    """Return the same cars, their guard's ``debt.false_pull_every`` so many times its own."""
    debt = cars.guard.debt
    debt = replace(debt, false_pull_every_h=times * debt.false_pull_every_h)
    return replace(cars, guard=replace(cars.guard, debt=debt), car=cars.driven)


def _asks(row: RowResult) -> bool:
    return row.requirement.at_least is not Action.NO_ACTION and bool(row.begun)


def _of(guarded: Sequence[Cars], chunks: Iterator[list[Outcome]]) -> Iterator[AtLimit]:
    for times, cars in zip(TIMES, guarded, strict=True):
        outcomes = [outcome for _ in range(RUNS // CHUNK) for outcome in next(chunks)]
        begun = tuple(outcome for outcome in outcomes if outcome.began)
        yield AtLimit(cars.guard.debt.false_pull_every_h, times == 1.0, begun)


def in_order(run: Callable[..., T], tasks: Sequence[tuple[Any, ...]], jobs: int) -> Iterator[T]:
    """Yield what each task comes to, in order.

    Args:
        run: A function of a module.
        tasks: Its arguments, each time.
        jobs: Processes; 1 runs here.
    """
    if jobs <= 1 or not tasks:
        yield from (run(*task) for task in tasks)
        return
    # Fresh processes: what a forked copy of a threaded process holds is anyone's guess.
    context = get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=leave_breaking_off) as pool:
        yield from pool.map(run, *zip(*tasks, strict=True))
