"""What a plot draws of a stretch of time: the same reading face as the live screen's trace."""

from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.attach.protocol import TRACE, TRACE_AT
from rules.channels import COLUMN_OF
from rules.step.state import HEALTHY, Decision

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

GROUP_ROWS: Final = 64
LONGEST_JOIN_S: Final = 0.3  # rows further apart are not joined by a line: a gap is a gap
_NAMES: Final = {name: i for i, name in enumerate(TRACE)}
# A channel's last good value stays, however old; where the channel isn't healthy it is not shown.
_CHANNEL_OF: Final = {"boost_kpa": "boost_kpa", "delivered_ml_min": "delivered_ml_min"}
_MASKED: Final = tuple(
    (i, COLUMN_OF[channel])
    for i, name in enumerate(TRACE)
    for channel in (_CHANNEL_OF.get(name, name.removeprefix("value_")),)
    if channel in COLUMN_OF and (name in _CHANNEL_OF or name.startswith("value_"))
)


def trace_of(decisions: Floats, axis_s: Floats) -> Floats:
    """Return the trace rows of decisions: time as plotted, NaN where a channel isn't healthy."""
    rows: Floats = decisions[:, TRACE_AT]
    rows[~np.isfinite(rows)] = np.nan
    health = Decision.named(decisions)["health"]
    for at, column in _MASKED:
        rows[health[:, column] != HEALTHY, at] = np.nan
    rows[:, 0] = axis_s
    return rows


def groups_of(trace: Floats) -> Ints:
    """Return where each group of rows begins: every 64 rows, and behind every gap."""
    gaps = np.flatnonzero(np.diff(trace[:, 0]) > LONGEST_JOIN_S) + 1
    even = np.arange(0, len(trace), GROUP_ROWS)
    return np.union1d(even, gaps).astype(np.int64) if len(gaps) else even.astype(np.int64)


def reach_of(trace: Floats, starts: Ints) -> tuple[Floats, Floats]:
    """Return lowest and highest value of each column in each group; NaN where none is known.

    The first column (time) is the time of a group's first row, and of its last.
    """
    low: Floats = np.fmin.reduceat(trace, starts, axis=0)
    high: Floats = np.fmax.reduceat(trace, starts, axis=0)
    return low, high


class Window:
    """Rows of a stretch, oldest first: each row itself, or low and high of every few dozen.

    Args:
        low: Trace rows; or the lowest values of each group.
        high: The highest values of each group: two rows (lowest, highest value) at one time then
            stand for up to 64; None where ``low`` holds the rows themselves.
        last: The newest row of the stretch; NaN where there is none.
    """

    def __init__(self, low: Floats, high: Floats | None, last: Floats) -> None:
        self._low = low
        self._high = high
        self._last = last
        if high is None:
            self._times: Floats = low[:, 0]
        else:
            self._times = np.repeat(low[:, 0], 2)
            self._joined = low[1:, 0] - high[:-1, 0] <= LONGEST_JOIN_S

    def __len__(self) -> int:
        return len(self._times)

    def column(self, name: str, since_s: float = float("-inf")) -> Floats:
        """Return a column from ``since_s`` on, one row before it included; NaN where unmapped."""
        first = 0
        if len(self) and since_s != float("-inf"):
            first = max(0, int(np.searchsorted(self._times, since_s)) - 1)
        at = _NAMES.get(name)
        if at is None:
            return np.full(len(self) - first, np.nan)
        if at == 0:
            return self._times[first:]
        if self._high is None:
            return self._low[first:, at]
        return self._drawn(self._low[:, at], self._high[:, at])[first:]

    def newest(self, name: str) -> float:
        """Return a column's newest value; NaN where there is none."""
        at = _NAMES.get(name)
        return float(self._last[at]) if at is not None and len(self) else float("nan")

    def _drawn(self, lowest: Floats, highest: Floats) -> Floats:
        """Return low and high in turn, neighbours stretched until they touch: a line has no gaps.

        Between two groups lies no row, so the line from one to the other passes what is between.
        """
        low, high = lowest.copy(), highest.copy()
        with np.errstate(invalid="ignore"):
            falls = self._joined & (lowest[:-1] > highest[1:])
            rises = self._joined & (highest[:-1] < lowest[1:])
        low[:-1][falls] = highest[1:][falls]
        high[:-1][rises] = lowest[1:][rises]
        both: Floats = np.empty(2 * len(low))
        both[0::2], both[1::2] = low, high
        return both
