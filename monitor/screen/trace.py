"""The newest trace rows, in one block of memory, oldest first."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# A frame brings at most 64 rows, 20 times a second: this holds the longest span of the plots.
CAPACITY: Final = 80_000


class Trace:
    """A bounded, time-ordered block of rows.

    Args:
        names: Names of the columns; ``time_s`` must be among them to keep anything.
        capacity: Rows kept.
    """

    def __init__(self, names: list[str], capacity: int = CAPACITY) -> None:
        self._names = {name: i for i, name in enumerate(names)}
        self._capacity = capacity
        self._block: Floats = np.empty((capacity + capacity // 4 + 64, max(1, len(names))))
        self._first = 0
        self._end = 0

    def __len__(self) -> int:
        return self._end - self._first

    def add(self, rows: list[Any], unknown: tuple[str, ...] = ()) -> None:
        """Add rows; columns named in ``unknown`` hold old values and are kept as NaN.

        Rows of another shape, and rows without a finite time, are left out. Time that runs
        backwards starts the block anew: two clocks can't share an axis.
        """
        at = self._names.get("time_s")
        if at is None or not rows:
            return
        width = len(self._names)
        try:
            fresh: Floats = np.array([row for row in rows if len(row) == width], dtype=np.float64)
        except (TypeError, ValueError, OverflowError):
            return
        if fresh.ndim != 2:
            return
        fresh = fresh[np.isfinite(fresh[:, at])][-self._capacity :]
        if not len(fresh):
            return
        fresh[~np.isfinite(fresh)] = np.nan
        for name in unknown:
            if name in self._names:
                fresh[:, self._names[name]] = np.nan
        backwards = np.flatnonzero(np.diff(fresh[:, at]) < 0.0)
        if len(backwards):
            fresh = fresh[backwards[-1] + 1 :]
        if len(backwards) or (len(self) and fresh[0, at] < self._block[self._end - 1, at]):
            self._first = self._end = 0
        if self._end + len(fresh) > len(self._block):
            keep = min(len(self), self._capacity - len(fresh))
            self._block[:keep] = self._block[self._end - keep : self._end]
            self._first, self._end = 0, keep
        self._block[self._end : self._end + len(fresh)] = fresh
        self._end += len(fresh)
        self._first = max(self._first, self._end - self._capacity)

    def column(self, name: str, since_s: float = float("-inf")) -> Floats:
        """Return a column from ``since_s`` on, one row before it included; NaN where unmapped."""
        first = self._first
        if len(self) and since_s != float("-inf"):
            times = self._block[self._first : self._end, self._names["time_s"]]
            first += max(0, int(np.searchsorted(times, since_s)) - 1)
        at = self._names.get(name)
        if at is None:
            return np.full(self._end - first, np.nan)
        return self._block[first : self._end, at]

    def copy(self, since_s: float) -> "Trace":
        """Return a trace of its own with the rows from ``since_s`` on, one before it included."""
        times_s = self.column("time_s", since_s)
        twin = Trace(list(self._names), capacity=max(1, len(times_s)))
        twin._block[: len(times_s)] = self._block[self._end - len(times_s) : self._end]
        twin._end = len(times_s)
        return twin

    def newest(self, name: str) -> float:
        """Return a column's newest value; NaN where there is none."""
        at = self._names.get(name)
        return float(self._block[self._end - 1, at]) if at is not None and len(self) else np.nan
