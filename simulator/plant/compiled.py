"""The plant compiled: the very functions a live car interprets, through numba.

As ``rules.step.compiled``: a fingerprint of everything that goes into the result is part of the
key of numba's cache, which misses edits in imported functions.
"""

import hashlib
from types import FunctionType, ModuleType
from typing import Any

import numba
from numba.extending import register_jitable

import rules.step.compiled as compiled_rules
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
    interpolation,
    kernel,
    layout,
    mixture,
    sensors,
    spray_control,
    walls,
    wire,
)
from simulator.plant.layout import S_LEFT_RANGE, S_TIME_S, S_UNPLUGGED

# In the order in which they call each other.
KERNEL_MODULES: tuple[ModuleType, ...] = (
    interpolation,
    air,
    mixture,
    evaporation,
    combustion,
    autoignition,
    walls,
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
)


def fingerprint() -> str:
    """Return a short hash of the plant's byte code and layout, and of the decision code's."""
    digest = hashlib.sha256(compiled_rules.fingerprint().encode())
    for module in KERNEL_MODULES:
        for name in sorted(vars(module)):
            value = vars(module)[name]
            if isinstance(value, FunctionType) and value.__module__ == module.__name__:
                code = value.__code__
                digest.update(f"{name} {code.co_consts!r} {code.co_names!r}".encode())
                digest.update(code.co_code)
            elif name.lstrip("_").isupper():
                digest.update(f"{name} {value!r}".encode())
    digest.update(repr(sorted((n, v) for n, v in vars(layout).items() if n.isupper())).encode())
    return digest.hexdigest()[:16]


for _module in KERNEL_MODULES:
    for _value in list(vars(_module).values()):
        if isinstance(_value, FunctionType) and _value.__module__ == _module.__name__:
            register_jitable(_value)

_advance = kernel.advance
_rates = kernel.rates
_tick = wire.tick


def _make(stamp: int) -> tuple[Any, Any, Any]:
    """Make the loops; they hold ``stamp``, since what a closure holds is in numba's cache key."""

    def advance_one(
        k: Any,
        s: Any,
        d: Any,
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
            k, s, d, steps, faults, cycles, draws, number, retard_deg, ceiling_kpa, row, out
        )

    def drive_on(
        k: Any,
        s: Any,
        d: Any,
        steps: Any,
        faults: Any,
        cycles: Any,
        draws: Any,
        row: Any,
        out: Any,
        first: int,
        last: int,
        guarded: bool,
        constants: Any,
        states: Any,
        flat: Any,
        rows: Any,
        truths: Any,
        where: Any,
        decisions: Any,
    ) -> int:
        """Advance by samples ``first`` to ``last``, deciding on every row; return rows written.

        ``rows`` takes the rows, ``decisions`` the head of the guard's state after each, ``truths``
        what ``where`` (offsets into the state) names, by sample; each may have no columns. The
        guard's ``constants`` and ``states`` are arrays of one record, ``flat`` the latter's floats.
        """
        if stamp < 0:
            return -1
        n = 0
        guard = states[0]
        retard_deg = guard.retard_deg if guarded else 0.0
        ceiling_kpa = guard.boost_ceiling_kpa if guarded else 1e300
        for i in range(first, last):
            if s[S_UNPLUGGED] == 2.0 or s[S_LEFT_RANGE] != 0.0:
                break
            count = _advance(
                k, s, d, steps, faults, cycles, draws, i, retard_deg, ceiling_kpa, row, out
            )
            if s[S_LEFT_RANGE] != 0.0:
                break
            if s[S_UNPLUGGED] != 2.0:
                count = _tick(s, s[S_TIME_S], out, count)
            for j in range(count):
                if guarded:
                    _decide(constants[0], guard, out, j * ROW_WIDTH)
                    retard_deg = guard.retard_deg
                    ceiling_kpa = guard.boost_ceiling_kpa
                    for c in range(decisions.shape[1]):
                        decisions[n, c] = flat[c]
                for c in range(rows.shape[1]):
                    rows[n, c] = out[j * ROW_WIDTH + c]
                n += 1
            for c in range(where.shape[0]):
                truths[i - first, c] = s[where[c]]
        return n

    def rates_only(k: Any, s: Any, d: Any, valve: float, due_ml_min: float) -> int:
        """Work out the rates of the continuous part (for tests and the bench)."""
        if stamp < 0:
            return -1
        _rates(k, s, d, valve, due_ml_min)
        return 0

    return advance_one, drive_on, rates_only


def _compile(function: Any) -> Any:
    options: dict[str, Any] = {"nogil": True, "_nrt": False}  # see rules.step.compiled
    try:
        return numba.njit(cache=True, **options)(function)
    except RuntimeError:  # nowhere to keep a cache
        return numba.njit(**options)(function)


advance_one, drive_on, rates_only = (_compile(f) for f in _make(int(fingerprint()[:12], 16)))
