"""Does a live device's clock run as ours does? Compared with arrival, which enters no sum.

A clock a thousand times too slow hides a total loss: each row then seems to come a hundredth of a
millisecond after the one before, so nothing grows old and no debt grows. What is found here goes
into the sample row (``rules.channels.CLOCK_PACE``), and the rules judge it as blindness.

What is compared is the lag: arrival less device time, up to a constant. Whatever carries readings
only ever adds to it: USB bridges hold back 16 ms, a busy machine up to some 0.2 s, then hand over
all at once, and the newest of those is hardly late. So the least lag seen is the clock itself.

- A lag more than ``HELD_BACK_S`` above the least, without a break for ``LASTING_S``, is a clock
  that runs slow (or a way that delivers what is long past: no better).
- A least lag that sinks more than that faster than it may is a clock that runs fast.

The least lag may rise, and sink, by ``TOLERANCE`` of the time that passes: so much is forgiven. A
clock that was wrong is right again once the least lags of two windows, one after the other, agree
as well as that; what it lost or gained before is then let go.
"""

from math import inf, nan
from typing import Final

from monitor.sources.base import Arrival
from rules.channels import AHEAD_S, LATE_S, NOT_SENT, is_time
from rules.clock_pace import HELD_BACK_S, LASTING_S, TOLERANCE, pace_in_words

# The least lag isn't known at once: a port that opens hands over what it kept from before, and a
# way that was shut what it held back.
LEARNING_S: Final = 0.5
WINDOW_S: Final = 3.0
# Rows that follow each other are no further apart. Where the clock stepped, what passed meanwhile
# isn't known: no more than this is counted for it.
SILENT_S: Final = 0.25
SLOWEST: Final = 1e-6
FASTEST: Final = 1e6


class ClockWatch:
    """Follows one live source's times.

    Attributes:
        pace: Seconds the source's clock was found to run in one of ours, where that is wrong;
            ``NOT_SENT`` where it runs as it should, or that isn't known yet.
    """

    def __init__(self) -> None:
        self.pace = NOT_SENT
        self._newest_s = nan
        self._arrived_s = nan
        self._learnt_s = nan
        self._settled_s = -inf  # arrival from which on a silence is over
        self._lag_s = 0.0
        self._least_s = 0.0
        # As the least lag, but rises little in a silence (what follows may be late for a moment),
        # and sinks no faster than it may. What a clock gains in a silence shows in the newest of
        # what it held back, so it sinks on until that is there.
        self._calm_s = 0.0
        self._sinking_s = 0.0
        self._right = (nan, nan)  # time and arrival when all was well
        self._window_s = -inf  # arrival at which the window now ends
        self._least_now_s = self._least_before_s = inf  # in that window, and in the one before
        # Arrival from which on the clock has been slow, fast, right; infinite where it isn't. Slow
        # and fast apart: what was held back looks slow until its newest is there, by any clock.
        self._slow_s = self._fast_s = self._well_s = inf

    def saw(self, time_s: float, arrived_s: float) -> bool:
        """Take a reading's own time and when it could be read; return whether ``pace`` changed.

        Args:
            time_s: Its time; what is none says nothing of the clock.
            arrived_s: Steady time, never falling.
        """
        if not is_time(time_s):
            return False
        if self._newest_s != self._newest_s:
            self._newest_s, self._arrived_s = time_s, arrived_s
            self._learnt_s = arrived_s + LEARNING_S
            self._right = (time_s, arrived_s)
            return False
        step_s, passed_s = time_s - self._newest_s, arrived_s - self._arrived_s
        if -LATE_S <= step_s < 0.0:  # late: says nothing of the clock
            return False
        if passed_s > SILENT_S:
            self._settle()
            self._settled_s = arrived_s + LEARNING_S
        self._newest_s, self._arrived_s = time_s, arrived_s
        gap = abs(step_s - passed_s) <= HELD_BACK_S + TOLERANCE * passed_s
        if not 0.0 <= step_s <= AHEAD_S and not gap:
            step_s, passed_s = 0.0, min(passed_s, SILENT_S)
        self._lag_s += passed_s - step_s
        drift_s = TOLERANCE * passed_s
        self._least_s = min(self._lag_s, self._least_s + drift_s)
        self._calm_s = min(self._lag_s, self._calm_s + min(drift_s, TOLERANCE * SILENT_S))
        self._sinking_s -= drift_s
        if arrived_s < self._learnt_s:
            self._sinking_s = self._calm_s
        self._let_go()
        if arrived_s >= self._settled_s:
            self._settle()
        return self._turned(
            self._lag_s - self._least_s > HELD_BACK_S, self._sinking_s - self._lag_s > HELD_BACK_S
        )

    def compare(self, arrival: Arrival) -> bool:
        """Take an arrival, as ``saw`` does."""
        return self.saw(arrival.sample.time_s, arrival.readable_ns * 1e-9)

    def words(self) -> str:
        """Say what was found."""
        if self.pace == NOT_SENT:
            return "the source's clock runs as ours does again"
        return (
            f"the source's clock runs {pace_in_words(self.pace)}: readings can't be judged "
            "(is the unit of its time right, and the way they come fast enough?)"
        )

    def _settle(self) -> None:
        """Take the newest reading for what it is: nothing newer is held back."""
        self._sinking_s = max(self._calm_s, self._sinking_s)
        gained_s = self._sinking_s - self._lag_s
        if gained_s <= HELD_BACK_S:
            self._fast_s = inf
        if max(self._lag_s - self._least_s, gained_s) <= 0.5 * HELD_BACK_S:
            self._right = (self._newest_s, self._arrived_s)

    def _let_go(self) -> None:
        self._least_now_s = min(self._least_now_s, self._lag_s)
        if self._arrived_s < self._window_s:
            return
        least_s, before_s = self._least_now_s, self._least_before_s
        if self.pace != NOT_SENT and abs(least_s - before_s) <= TOLERANCE * WINDOW_S:
            self._least_s = self._calm_s = self._sinking_s = least_s
        self._least_before_s, self._least_now_s = least_s, inf
        self._window_s = self._arrived_s + WINDOW_S

    def _turned(self, slow: bool, fast: bool) -> bool:
        now_s = self._arrived_s
        self._slow_s = min(self._slow_s, now_s) if slow else inf
        if fast:
            self._fast_s = min(self._fast_s, now_s)
        self._well_s = inf if slow or fast else min(self._well_s, now_s)
        if self.pace != NOT_SENT:
            turned = now_s - self._well_s >= LASTING_S
            self.pace = NOT_SENT if turned else self.pace
            return turned
        turned = now_s - self._slow_s >= LASTING_S or (fast and now_s - self._fast_s >= LASTING_S)
        self.pace = self._measured() if turned else NOT_SENT
        return turned

    def _measured(self) -> float:
        time_s, arrived_s = self._right
        pace = (self._newest_s - time_s) / (self._arrived_s - arrived_s)
        return min(max(pace, SLOWEST), FASTEST)
