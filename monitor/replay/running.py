"""Compiled or interpreted: a log is decided the way that has it decided sooner; both agree."""

import contextlib
from pathlib import Path
from typing import Final

import numpy as np

import rules
from monitor.replay.window import Floats
from monitor.review import ROWS_WORTH_COMPILING
from rules.guard import Guard

# Stepping 10 000 rows takes about as long as loading compiled code that is on the disk.
ROWS_WORTH_LOADING: Final = 10_000
_MARK: Final = "decided-"


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
    return rows >= ROWS_WORTH_LOADING and _is_compiled()


def run_rows(guard: Guard, rows: Floats, *, compiled: bool) -> Floats:
    """Decide (n, ROW_WIDTH) rows; return (n, N_DECISION) decisions, the same either way."""
    if not compiled:
        return np.array([guard.step(row) for row in rows.tolist()])
    decisions: Floats = guard.run_rows(rows)
    if not _Loaded.now:
        _Loaded.now = True
        _leave_mark()
    return decisions


def _folder() -> Path:
    return Path(rules.__file__).parent / "__pycache__"


def _is_compiled() -> bool:
    """Whether compiled code of this very decision code is on the disk, as far as a mark says."""
    if not any(_folder().glob(f"{_MARK}*")):
        return False
    from rules.compiled import fingerprint

    return (_folder() / f"{_MARK}{fingerprint()}").exists()


def _leave_mark() -> None:
    from rules.compiled import fingerprint

    with contextlib.suppress(OSError):  # a read-only install compiles each time, or steps
        _folder().mkdir(exist_ok=True)  # a system may keep byte code elsewhere, or none
        (_folder() / f"{_MARK}{fingerprint()}").touch()
