"""A device's own time base: counters that wrap, resets, steps, and how fast it runs.

Beside ``align.py``: what comes out of here is the device's time, made continuous over a wrap, and
nothing else. A reset or a step is reported, and left in the times for the rules to see; how fast
the device's clock runs against the clock of arrival is reported, and changes no time.
"""

from collections import Counter, deque
from enum import Enum
from math import inf, isfinite, nan
from typing import Final

import numpy as np

from monitor.sources.rows import Rows
from rules.channels import AHEAD_S, LATE_S

NEAR_ZERO_S: Final = 5.0  # a clock that falls back to less than this has started again
MOST_OVER_WRAP_S: Final = 2.0  # a wrap is believed where no more than this passed over it
# A counter that wraps more often than this can't be followed through a gap: it is left as it is.
SHORTEST_WRAP_S: Final = 60.0
WINDOW_S: Final = 5.0
MOST_WINDOWS: Final = 60
# Against the clock of arrival; crystals are within 100 ppm, so this is a wrong unit or a wrong rig.
MOST_RATE_ERROR: Final = 0.1


class ClockTurn(Enum):
    """What a device's clock did, if not just go on."""

    WRAPPED = "wrapped"
    RESET = "reset"
    BACK = "stepped back"
    AHEAD = "stepped ahead"


class DeviceTime:
    """Follows one device's time column. Give it each row's time once, in order of arrival.

    A counter of 16 or 32 bits is known by where it falls back: from just below its end to just
    above nought. (A device that resets within 2 s of that moment reads as a wrap.)

    Args:
        tick_s: What one count of the time column is, s; 1 or more means that it does not wrap.

    Attributes:
        newest_s: The newest time, as the column has it; NaN before the first.
        turn: What the newest row's clock did; None where it went on.
        turns: How often it did what, by ``ClockTurn``'s words.
    """

    def __init__(self, tick_s: float = 1.0) -> None:
        wraps = (2.0**bits * tick_s for bits in (16, 32))
        self._wraps_s = [wrap for wrap in wraps if tick_s < 1.0 and wrap >= SHORTEST_WRAP_S]
        self.newest_s = nan
        self._newest_arrived_s = nan
        self._offset_s = 0.0
        self._last_wrap_s = inf
        self.turn: ClockTurn | None = None
        self.turns: Counter[str] = Counter()
        self._rate = _Rate()
        self._rate_from_s = -inf

    def follow(self, raw_s: float, arrived_s: float = nan) -> float:
        """Return a row's time, s, continuous over wraps.

        Args:
            raw_s: The time column, s. What is not finite comes back as it is.
            arrived_s: Steady time of arrival; NaN where there is none (a file).
        """
        turn: ClockTurn | None = None
        self.turn = None
        if not isfinite(raw_s):
            return raw_s
        step_s = raw_s - self.newest_s
        if not -LATE_S <= step_s <= AHEAD_S and step_s == step_s:
            if self.newest_s < LATE_S and step_s >= self._last_wrap_s - LATE_S:
                # Late, from before the wrap.
                return raw_s + self._offset_s - self._last_wrap_s
            self.turn = turn = self._judge(raw_s, step_s, arrived_s)
        if not step_s < 0.0 or turn is not None:
            self.newest_s = raw_s
            self._newest_arrived_s = arrived_s
        time_s = raw_s + self._offset_s
        if turn is not None:
            self.turns[turn.value] += 1
            # Not at every turn: a clock in the wrong unit steps ahead all the time.
            if turn is not ClockTurn.WRAPPED and not arrived_s < self._rate_from_s + 60.0:
                self._rate, self._rate_from_s = _Rate(), arrived_s
        self._rate.add(time_s, arrived_s)
        return time_s

    def follow_block(self, raw_s: Rows) -> Rows:
        """Return the times of many rows of a file; as ``follow`` on each, whatever they are."""
        newest_s = self.newest_s
        if not self._wraps_s or not len(raw_s):
            return raw_s
        before = np.concatenate(([raw_s[0] if newest_s != newest_s else newest_s], raw_s[:-1]))
        with np.errstate(invalid="ignore", over="ignore"):
            steps = raw_s - before
        if ((steps >= 0.0) & (steps <= AHEAD_S)).all():
            self.newest_s = float(raw_s[-1])
            return raw_s if self._offset_s == 0.0 else raw_s + self._offset_s
        return np.array([self.follow(value) for value in raw_s.tolist()])

    @property
    def drift_ppm(self) -> float:
        """How much faster than the clock of arrival the device's runs; NaN until that is known.

        From the earliest arrivals of windows of 5 s, since what delays a reading only ever adds.
        """
        return self._rate.error() * 1.0e6

    @property
    def rate_is_wrong(self) -> bool:
        """Whether the device's clock runs so fast or slow that its unit is most likely wrong."""
        return abs(self._rate.error()) > MOST_RATE_ERROR

    def _judge(self, raw_s: float, step_s: float, arrived_s: float) -> ClockTurn | None:
        if step_s > 0.0:
            # A silence of about the same length by the clock of arrival is a gap, not a step.
            silent_s = arrived_s - self._newest_arrived_s
            return ClockTurn.AHEAD if step_s > 2.0 * silent_s else None
        for wrap_s in self._wraps_s:
            if self.newest_s < wrap_s and 0.0 <= step_s + wrap_s <= MOST_OVER_WRAP_S:
                self._offset_s += wrap_s
                self._last_wrap_s = wrap_s
                return ClockTurn.WRAPPED
        self._last_wrap_s = inf
        return ClockTurn.RESET if 0.0 <= raw_s < NEAR_ZERO_S else ClockTurn.BACK


class _Rate:
    """How fast one clock runs against another, out of the least delays of windows of time."""

    def __init__(self) -> None:
        self._windows: deque[tuple[float, float]] = deque(maxlen=MOST_WINDOWS)
        self._until_s = -inf

    def add(self, time_s: float, arrived_s: float) -> None:
        """Take in a row's two times."""
        if not isfinite(arrived_s):
            return
        delay_s = arrived_s - time_s
        if arrived_s >= self._until_s:
            self._until_s = arrived_s + WINDOW_S
            self._windows.append((arrived_s, delay_s))
        elif delay_s < self._windows[-1][1]:
            self._windows[-1] = (arrived_s, delay_s)

    def error(self) -> float:
        """Return the relative error of the first clock; NaN before two whole windows."""
        if len(self._windows) < 3:
            return nan
        (from_s, first_s), (to_s, last_s) = self._windows[0], self._windows[-2]
        return (first_s - last_s) / (to_s - from_s) if to_s > from_s else nan
