"""A log's columns as they stand: name, unit, range, how often they change, in what steps."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

MOST_VALUES: Final = 20_000  # looked at for steps and spread: more tell no more


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One column of a log.

    Attributes:
        header: Its name, as written.
        unit_word: What a units row, or the file itself, says of it; else empty.
        values: (n,) floats, as they stand in the log; NaN where nothing was sent.
    """

    header: str
    unit_word: str
    values: Any


@dataclass(frozen=True, slots=True)
class Spread:
    """What values a column takes.

    Attributes:
        low: Smallest.
        high: Largest.
        usual: 2, 25, 50, 75 and 98 % of its values lie below these.
        step: Largest common step of its values, roughly: the smallest that is not rounding; 0 where
            nothing changes.
        rate_hz: New values a second.
        sent: Share of the rows that have a value.
    """

    low: float
    high: float
    usual: tuple[float, float, float, float, float]
    step: float
    rate_hz: float
    sent: float

    @property
    def moves(self) -> bool:
        """Whether it ever changes."""
        return self.high > self.low


def spread_of(column: Column, time_s: Any) -> Spread | None:
    """Return a column's spread; None where it holds no number.

    Args:
        column: The column.
        time_s: (n,) times, s, rising.
    """
    there = np.isfinite(column.values)
    values = column.values[there]
    if not len(values):
        return None
    lasts_s = float(time_s[-1] - time_s[0]) or 1.0
    every = max(1, len(values) // MOST_VALUES)
    apart = np.diff(np.unique(values[::every]))
    size = max(abs(float(values.min())), abs(float(values.max())), 1e-9)
    steps = apart[apart > 1e-6 * size]
    return Spread(
        low=float(values.min()),
        high=float(values.max()),
        usual=tuple(float(q) for q in np.quantile(values, (0.02, 0.25, 0.5, 0.75, 0.98))),  # type: ignore[arg-type]  # five
        step=float(np.quantile(steps, 0.02)) if len(steps) else 0.0,
        rate_hz=float(np.count_nonzero(np.diff(values))) / lasts_s,
        sent=float(there.mean()),
    )
