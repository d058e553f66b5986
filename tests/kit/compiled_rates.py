"""The rates of the plant's continuous part alone, compiled."""

from collections.abc import Callable
from typing import Any

from rules import compiling
from simulator.plant import compiled, kernel

fingerprint = compiled.fingerprint
_rates = kernel.rates


def _make(stamp: int) -> Callable[..., int]:
    """Make the function; it holds ``stamp``, since what a closure holds is in numba's cache key."""

    def rates_only(constants: Any, states: Any, rates: Any, valve: float, due_ml_min: float) -> int:
        """Work out the rates; records are arrays of one."""
        if stamp < 0:
            return -1
        _rates(constants[0], states[0], rates[0], valve, due_ml_min)
        return 0

    return rates_only


rates_only: Any = compiling.compiled(_make(int(fingerprint()[:12], 16)))
