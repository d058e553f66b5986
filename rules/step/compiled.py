"""The decision code compiled: the very functions the live guard interprets, through numba.

numba's own cache misses edits in imported functions (numba/numba#9483), so a fingerprint of
everything that goes into the result is made part of the cache's key.
"""

import hashlib
import sys
from types import FunctionType, ModuleType
from typing import Any

import numba
import numpy as np
from numba.extending import register_jitable

from rules import channels
from rules.channels import ROW_WIDTH
from rules.step import (
    arithmetic,
    command,
    constants,
    cross_checks,
    debt,
    expectation,
    followed,
    health,
    hydraulics,
    ladder,
    lasting,
    state,
    step,
    watch,
)
from rules.step.constants import Constants
from rules.step.state import State

KERNEL_MODULES: tuple[ModuleType, ...] = (
    arithmetic,
    hydraulics,
    command,
    expectation,
    health,
    debt,
    followed,
    lasting,
    cross_checks,
    watch,
    ladder,
)


def fingerprint() -> str:
    """Return a short hash of the decision code's byte code, layouts and what compiles it."""
    digest = hashlib.sha256(f"{numba.__version__} {np.__version__} {sys.version}".encode())
    for module in (*KERNEL_MODULES, step):
        for name in sorted(vars(module)):
            value = vars(module)[name]
            if isinstance(value, FunctionType) and value.__module__ == module.__name__:
                code = value.__code__  # names too: byte code holds only their numbers
                digest.update(f"{name} {code.co_consts!r} {code.co_names!r}".encode())
                digest.update(code.co_code)
            elif name.isupper():
                digest.update(f"{name} {value!r}".encode())
    for module in (state, channels, constants):
        digest.update(repr(sorted((n, v) for n, v in vars(module).items() if n.isupper())).encode())
    for record in (Constants, State):
        digest.update(repr(record.dtype()).encode())
    return digest.hexdigest()[:16]


def _make_callable_from_compiled_code() -> None:
    for module in KERNEL_MODULES:
        for value in list(vars(module).values()):
            if isinstance(value, FunctionType) and value.__module__ == module.__name__:
                register_jitable(value)


_make_callable_from_compiled_code()
_step = register_jitable(step.step)


def _make(stamp: int) -> tuple[Any, Any, Any]:
    """Make the two loops and the single step, over arrays of one record (``Record.array``).

    ``flat`` is the state's array again, as float64: its head is what is written of a decision.
    They hold ``stamp``, since what a closure holds is in numba's cache key.
    """

    def run_all(constants: Any, states: Any, flat: Any, rows: Any, out: Any) -> int:
        """Step every row; write every decision."""
        if stamp < 0:
            return -1
        k, s = constants[0], states[0]
        n: int = rows.shape[0] // ROW_WIDTH
        width = out.shape[1]
        for i in range(n):
            _step(k, s, rows, i * ROW_WIDTH)
            for j in range(width):
                out[i, j] = flat[j]
        return n

    def run_changed(
        constants: Any, states: Any, flat: Any, rows: Any, out: Any, where: Any, judged: Any
    ) -> int:
        """Step every row; write the decisions that changed something, and their row numbers.

        ``judged`` says of each row whether it was in time, with all that is essential healthy.
        """
        if stamp < 0:
            return -1
        k, s = constants[0], states[0]
        n: int = rows.shape[0] // ROW_WIDTH
        width = out.shape[1]
        count = 0
        for i in range(n):
            _step(k, s, rows, i * ROW_WIDTH)
            judged[i] = s.all_healthy != 0.0 and s.late == 0.0
            if s.changed != 0.0:
                for j in range(width):
                    out[count, j] = flat[j]
                where[count] = i
                count += 1
        return count

    def step_row(constants: Any, states: Any, row: Any) -> int:
        """Step one row."""
        if stamp < 0:
            return -1
        _step(constants[0], states[0], row, 0)
        return 1

    return run_all, run_changed, step_row


def _compile(function: Any) -> Any:
    # No allocation happens inside, so numba's reference counting (atomic, four times the cost of
    # the arithmetic here) is switched off; arguments stay referenced by the caller.
    options: dict[str, Any] = {"nogil": True, "_nrt": False}
    try:
        return numba.njit(cache=True, **options)(function)
    except RuntimeError:  # nowhere to keep a cache: a read-only install without a home
        return numba.njit(**options)(function)


run_all, run_changed, step_row = (_compile(f) for f in _make(int(fingerprint()[:12], 16)))
