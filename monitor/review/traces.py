"""A log as a plot draws it: lowest and highest in each piece of time, so that no peak is lost.

A log of any length comes to some thousand pieces; its worst pulls are kept finer, so that there is
something to see where somebody zooms in.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from monitor.review.window import Floats
from rules.channels import COLUMN_OF
from rules.step.constants import Constants

MOST_PIECES: Final = 1200
_FINEST_S: Final = 0.01
PULL_PIECES: Final = 150
_GAP_S: Final = 1.0  # without a reading, and the line breaks off
# What is drawn: channels as they were read, and what the rules made of them.
READ: Final = (
    *("boost_kpa", "delivered_ml_min", "line_kpa", "intake_c", "knock", "injector_duty_pct"),
)
_DECIDED: Final = ("commanded_ml_min", "expected_ml_min", "line_due_kpa")
SHARES: Final = ("evidence_pct", "debt_pct")  # of their limits
NAMES: Final = (*READ, *_DECIDED, *SHARES)


def drawn(rows: Any, every: Mapping[str, Floats], k: Constants) -> Floats:
    """Return what is drawn of each row, (n, len(NAMES)); NaN where nothing is known."""
    columns = [rows[:, COLUMN_OF[name]] for name in READ]
    columns += [every[name] for name in _DECIDED]
    columns += [100.0 * every["evidence"] / k.limit_nats, 100.0 * every["debt_ml"] / k.cut_ml]
    whole = np.column_stack(columns)
    whole[~np.isfinite(whole)] = np.nan
    return whole


@dataclass(frozen=True, slots=True)
class Trace:
    """Pieces of time, in order.

    Attributes:
        time_s: When each begins, (n,).
        low: The lowest in it, (n, len(NAMES)); NaN where nothing is known.
        high: The highest.
    """

    time_s: Floats
    low: Any
    high: Any

    def line(self, name: str) -> tuple[Floats, Any]:
        """Return times and values to draw: low and high in turn, NaN where there is a gap."""
        at = NAMES.index(name)
        known = np.isfinite(self.low[:, at])
        time_s, low, high = self.time_s[known], self.low[known, at], self.high[known, at]
        if len(time_s) < 2:
            return time_s, high
        steps_s = np.diff(time_s)
        gaps = np.flatnonzero(steps_s > np.maximum(_GAP_S, 4.0 * np.median(steps_s)))
        both_s = np.column_stack((time_s, time_s)).ravel()
        both = np.column_stack((low, high)).ravel()
        one = np.column_stack((np.ones(len(low), bool), high != low)).ravel()
        both_s = np.insert(both_s, 2 * gaps + 2, time_s[gaps])
        both = np.insert(both, 2 * gaps + 2, np.nan)
        one = np.insert(one, 2 * gaps + 2, True)
        return both_s[one], both[one]


class Thinner:
    """Thins rows that come block by block.

    Args:
        most: Pieces at most.
        piece_s: How long the first are; they grow with the log.
    """

    def __init__(self, most: int = MOST_PIECES, piece_s: float = _FINEST_S) -> None:
        self._most = most
        self._piece_s = piece_s
        self._numbers: list[Any] = []
        self._parts: list[tuple[Floats, Any, Any]] = []
        self._count = 0
        self._begin_s: float | None = None

    def take(self, time_s: Floats, clock_s: Floats, values: Floats) -> None:
        """Take rows: their times, the same by a clock that never steps back, (n, k) values."""
        if not len(clock_s):
            return
        if self._begin_s is None:
            self._begin_s = float(clock_s[0])
        numbers = np.floor((np.maximum.accumulate(clock_s) - self._begin_s) / self._piece_s)
        self._keep(numbers.astype(np.int64), time_s, values, values)
        while self._count > 2 * self._most:
            self._coarsen()

    def trace(self) -> Trace:
        """Return what came of it."""
        if not self._parts:
            none = np.empty((0, len(NAMES)))
            return Trace(np.empty(0), none, none)
        self._coarsen(1)  # a piece may have come in two blocks
        while self._count > self._most:
            self._coarsen()
        time_s, low, high = (np.concatenate(part) for part in zip(*self._parts, strict=True))
        return Trace(time_s, low, high)

    def _keep(self, numbers: Any, time_s: Floats, low: Any, high: Any) -> None:
        starts = np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1))
        self._numbers.append(numbers[starts])
        lowest = np.fmin.reduceat(low, starts, axis=0).astype(np.float32)
        highest = np.fmax.reduceat(high, starts, axis=0).astype(np.float32)
        self._parts.append((time_s[starts], lowest, highest))
        self._count += len(starts)

    def _coarsen(self, by: int = 2) -> None:
        numbers = np.concatenate(self._numbers) // by
        time_s, low, high = (np.concatenate(part) for part in zip(*self._parts, strict=True))
        self._piece_s *= by
        self._numbers, self._parts, self._count = [], [], 0
        self._keep(numbers, time_s, low, high)


def joined(whole: Trace, finer: list[Trace]) -> Trace:
    """Return a trace with finer ones put in where these are."""
    keep = np.ones(len(whole.time_s), dtype=bool)
    for one in finer:
        keep &= (whole.time_s < one.time_s[0]) | (whole.time_s > one.time_s[-1])
    kept = Trace(whole.time_s[keep], whole.low[keep], whole.high[keep])
    parts = [kept, *finer]
    time_s, low, high = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("time_s", "low", "high")
    )
    order = np.argsort(time_s, kind="stable")
    return Trace(time_s[order], low[order], high[order])
