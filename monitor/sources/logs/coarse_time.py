"""Time in whole seconds, or tenths, with many rows each: the rows are spread evenly within."""

from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from math import inf
from typing import Any, Final

import numpy as np

from monitor.sources.rows import Rows
from rules.channels import TIME

ENOUGH_RUNS: Final = 3  # of rows with one time, between the first and the last
FEW_RUNS_ROWS: Final = 5  # in each, where there is but one
MOST_WAITING: Final = 20_000  # rows looked at before it is decided, or with one time


def spread(blocks: Iterable[Rows], tell: Callable[[str], None]) -> Iterator[Rows]:
    """Yield a log's blocks, with rows of one time spread evenly where its time is that coarse.

    Args:
        blocks: (n, ROW_WIDTH) each, in order.
        tell: Told once, in a sentence, where they are spread.
    """
    waiting = np.empty((0, 0))
    step_s: float | None = None
    rest = iter(blocks)
    for block in rest:
        waiting = np.concatenate((waiting, block)) if len(waiting) else block
        step_s = step_of(waiting[:, TIME])
        if step_s is not None or len(waiting) >= MOST_WAITING:
            break
    if not len(waiting):
        return
    if step_s is None:  # all there is
        step_s = step_of(waiting[:, TIME], enough=1, rows=FEW_RUNS_ROWS)
    if step_s:
        each = "second" if step_s == 1.0 else "tenth of a second"
        tell(f"time counts whole {each}s, each of many rows: they are spread evenly within it")
        yield from _spread(chain([waiting], rest), step_s)
        return
    yield waiting
    yield from rest


def step_of(time_s: Rows, enough: int = ENOUGH_RUNS, rows: int = 2) -> float | None:
    """Return in which steps a log's time is written, s, where many rows share each.

    Args:
        time_s: (n,) times of its first rows.
        enough: Whole runs of one time that it takes to tell.
        rows: How many rows each of them has at least.

    Returns:
        1 or 0.1; 0 where time is finer, or each row has one of its own; None where it takes more
        rows to tell.
    """
    steps_s = np.diff(time_s)
    turns = np.flatnonzero(steps_s)
    if (np.diff(turns) < rows).any() or (steps_s < 0.0).any():
        return 0.0
    for step_s in (1.0, 0.1):
        counts = steps_s[turns] / step_s
        if (np.abs(counts - np.round(counts)) < 1e-4).all():
            return step_s if len(turns) > enough else None
    return 0.0


def _spread(blocks: Iterable[Rows], step_s: float) -> Iterator[Rows]:
    """Yield the rows with times spread; the last run of a block waits until it is whole."""
    spacing_s = inf  # of the newest run
    is_first = True
    held = np.empty((0, 0))
    for block in blocks:
        rows = np.concatenate((held, block)) if len(held) else block.copy()
        time_s = rows[:, TIME].copy()
        starts = np.flatnonzero(np.diff(time_s, prepend=np.nan))
        whole = int(starts[-1])
        if not whole:
            if len(rows) > MOST_WAITING:  # a clock that stands still
                yield rows
                rows = rows[:0]
            held = rows
            continue
        steps_s = np.diff(time_s[starts])
        counts = np.diff(starts)
        spacings_s = np.where(steps_s > 0.0, np.minimum(steps_s, step_s), step_s) / counts
        from_s = time_s[starts[:-1]]
        if is_first and len(counts) > 1:  # a second that had begun: its rows are the last of it
            spacings_s[0] = min(spacings_s[:2])
            from_s[0] += step_s - counts[0] * spacings_s[0]
            is_first = False
        rows[:whole, TIME] = _evenly(from_s, spacings_s, counts)
        spacing_s = spacings_s[-1]
        yield rows[:whole]
        held = rows[whole:]
    if len(held):
        spacing_s = min(spacing_s, step_s / len(held))
        held[:, TIME] = _evenly(held[:1, TIME], np.array([spacing_s]), np.array([len(held)]))
        yield held


def _evenly(from_s: Rows, spacings_s: Rows, counts: Any) -> Rows:
    """Return the times of runs of rows: from where, how far apart, how many."""
    starts = np.cumsum(counts) - counts
    within = np.arange(counts.sum()) - np.repeat(starts, counts)
    times_s: Rows = np.repeat(from_s, counts) + within * np.repeat(spacings_s, counts)
    return times_s
