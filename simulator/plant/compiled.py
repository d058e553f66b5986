"""The plant compiled: the very functions a live car interprets, through numba."""

from types import ModuleType
from typing import Any

import rules.step.compiled as compiled_rules
from rules import compiling
from rules.channels import ROW_WIDTH
from rules.step.step import step as _decide
from simulator.plant import (
    air,
    autoignition,
    charge,
    charging,
    chassis,
    combustion,
    driver,
    engine,
    evaporation,
    faults,
    hydraulics,
    ignition,
    kernel,
    mixture,
    sensors,
    spray_control,
    state,
    truth,
    wire,
)

# In the order in which they call each other.
KERNEL_MODULES: tuple[ModuleType, ...] = (
    state,
    air,
    mixture,
    evaporation,
    combustion,
    autoignition,
    driver,
    chassis,
    charging,
    hydraulics,
    charge,
    engine,
    spray_control,
    ignition,
    faults,
    sensors,
    wire,
    kernel,
    truth,
)


def fingerprint() -> str:
    """Return a short hash of all that goes into the compiled plant and the decision code."""
    return compiling.fingerprint(KERNEL_MODULES, base=compiled_rules.fingerprint())


compiling.make_callable(KERNEL_MODULES)
_advance = kernel.advance
_tick = wire.tick
_truth_row = truth.truth_row


def _make(stamp: int) -> tuple[Any, Any]:
    """Make the loops; they hold ``stamp``, since what a closure holds is in numba's cache key."""

    def advance_one(
        constants: Any,
        states: Any,
        rates: Any,
        steps: Any,
        faults: Any,
        cycles: Any,
        draws: Any,
        number: int,
        retard_deg: float,
        ceiling_kpa: float,
        row: Any,
        out: Any,
    ) -> int:
        """Advance by one sample."""
        if stamp < 0:
            return -1
        return _advance(
            constants[0],
            states[0],
            rates[0],
            steps,
            faults,
            cycles,
            draws,
            number,
            retard_deg,
            ceiling_kpa,
            row,
            out,
        )

    def drive_on(
        constants: Any,
        states: Any,
        rates: Any,
        steps: Any,
        faults: Any,
        cycles: Any,
        draws: Any,
        row: Any,
        out: Any,
        first: int,
        last: int,
        guarded: bool,
        guard_constants: Any,
        guard_states: Any,
        guard_flat: Any,
        rows: Any,
        truths: Any,
        decisions: Any,
    ) -> int:
        """Advance by samples ``first`` to ``last``, deciding on every row; return rows written.

        ``rows`` takes the rows, ``decisions`` the head of the guard's state after each, ``truths``
        the truth by sample; each may have no columns. Constants, states and rates are arrays of one
        record, ``guard_flat`` the floats of ``guard_states``.
        """
        if stamp < 0:
            return -1
        k = constants[0]
        s = states[0]
        d = rates[0]
        n = 0
        guard = guard_states[0]
        retard_deg = guard.retard_deg if guarded else 0.0
        ceiling_kpa = guard.boost_ceiling_kpa if guarded else 1e300
        for i in range(first, last):
            if s.unplugged == 2.0 or s.left_range != 0:
                break
            count = _advance(
                k, s, d, steps, faults, cycles, draws, i, retard_deg, ceiling_kpa, row, out
            )
            if s.left_range != 0:
                break
            if s.unplugged != 2.0:
                count = _tick(s, s.time_s, out, count)
            for j in range(count):
                if guarded:
                    _decide(guard_constants[0], guard, out, j * ROW_WIDTH)
                    retard_deg = guard.retard_deg
                    ceiling_kpa = guard.boost_ceiling_kpa
                    for c in range(decisions.shape[1]):
                        decisions[n, c] = guard_flat[c]
                for c in range(rows.shape[1]):
                    rows[n, c] = out[j * ROW_WIDTH + c]
                n += 1
            true = _truth_row(s)
            for c in range(truths.shape[1]):
                truths[i - first, c] = true[c]
        return n

    return advance_one, drive_on


advance_one, drive_on = (compiling.compiled(f) for f in _make(int(fingerprint()[:12], 16)))
