"""Compiled or interpreted: a log is decided the way that has it decided sooner; both agree."""

from typing import Final

import numpy as np

from monitor.review.review import ROWS_WORTH_COMPILING
from monitor.review.window import Floats
from rules.guard import Guard
from simulator.compiled_mark import RUN_ALL, is_on_disk, leave_mark

# Stepping 10 000 rows takes about as long as loading compiled code that is on the disk.
ROWS_WORTH_LOADING: Final = 10_000


class _Loaded:
    """Whether this process has compiled code loaded; then every log is worth it."""

    now = False


def worth_compiling(rows: int) -> bool:
    """Whether compiled code decides this many rows sooner than stepping them.

    Args:
        rows: How many rows there are.
    """
    if _Loaded.now or rows >= ROWS_WORTH_COMPILING:
        return True
    return rows >= ROWS_WORTH_LOADING and is_on_disk(RUN_ALL)


def run_rows(guard: Guard, rows: Floats, *, compiled: bool) -> Floats:
    """Decide (n, ROW_WIDTH) rows; return (n, N_DECISION) decisions, the same either way."""
    if not compiled:
        return np.array([guard.step(row) for row in rows.tolist()])
    decisions: Floats = guard.run_rows(rows)
    if not _Loaded.now:
        _Loaded.now = True
        leave_mark(RUN_ALL)
    return decisions
