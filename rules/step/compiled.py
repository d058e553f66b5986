"""The decision code compiled: the very functions the live guard interprets, through numba."""

from types import ModuleType
from typing import Any

from numba.extending import register_jitable

from rules import channels, compiling
from rules.channels import ROW_WIDTH
from rules.step import (
    arithmetic,
    bank,
    boost_and_command,
    charge,
    command,
    constants,
    evidence,
    expectation,
    followed,
    health,
    hydraulics,
    ladder,
    lasting,
    learning,
    limits,
    line,
    rig_doubts,
    state,
    step,
    surplus,
    watch,
    witnesses,
)

KERNEL_MODULES: tuple[ModuleType, ...] = (
    arithmetic,
    hydraulics,
    command,
    bank,
    expectation,
    health,
    learning,
    rig_doubts,
    evidence,
    charge,
    line,
    witnesses,
    followed,
    lasting,
    boost_and_command,
    surplus,
    watch,
    limits,
    ladder,
)


def fingerprint() -> str:
    """Return a short hash of all that goes into the compiled decision code."""
    return compiling.fingerprint((*KERNEL_MODULES, step), state, channels, constants)


compiling.make_callable(KERNEL_MODULES)
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
        constants: Any,
        states: Any,
        flat: Any,
        rows: Any,
        out: Any,
        where: Any,
        columns: Any,
        every: Any,
    ) -> int:
        """Step every row; write the decisions that changed something, and their row numbers.

        ``every`` takes these ``columns`` of each row's decision, one behind the other.
        """
        if stamp < 0:
            return -1
        k, s = constants[0], states[0]
        n: int = rows.shape[0] // ROW_WIDTH
        width = out.shape[1]
        count = 0
        for i in range(n):
            _step(k, s, rows, i * ROW_WIDTH)
            for j in range(len(columns)):
                every[j, i] = flat[columns[j]]
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


run_all, run_changed, step_row = (compiling.compiled(f) for f in _make(int(fingerprint()[:12], 16)))
