"""The decision code compiled: the very functions the live guard interprets, through numba."""

from typing import Any

import numba
from numba.extending import register_jitable

from rules import compiling
from rules.channels import ROW_WIDTH
from rules.step import kernels, step
from rules.step.kernels import KERNEL_MODULES


def fingerprint() -> str:
    """Return a short hash of all that goes into the compiled decision code."""
    return kernels.fingerprint(numba.__version__)


compiling.make_callable(KERNEL_MODULES)
_step = register_jitable(step.step)


def _make(stamp: int) -> tuple[Any, Any]:
    """Make the loop and the single step, over arrays of one record (``Record.array``).

    They hold ``stamp``, since what a closure holds is in numba's cache key.
    """

    def run_all(
        constants: Any,
        states: Any,
        flat: Any,
        rows: Any,
        out: Any,
        where: Any,
        columns: Any,
        every: Any,
        changes_alone: bool,
    ) -> int:
        """Step every row; write every decision, or those that changed something; return how many.

        ``flat`` is the state's array again, as float64: its head is what is written of a decision.
        ``where`` takes the row number of each that is written, ``every`` these ``columns`` of each
        row's decision, one behind the other.
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
            if s.changed != 0.0 or not changes_alone:
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

    return run_all, step_row


run_all, step_row = (compiling.compiled(f) for f in _make(int(fingerprint()[:12], 16)))
