"""Channels that come one by one, merged by time into samples. Pure: the caller brings the time."""

from typing import Final

from monitor.sources.base import Arrival
from monitor.sources.topics.freshness import CLOCK_STEP_S
from rules.channels import Sample, tick

SAME_S: Final = 0.0004  # times this close are one sample's
HOLD_S: Final = 0.005  # how long a sample waits for the rest of its channels
# A channel that lags the others by no more than this joins their newest sample: its reading is
# news, and as late it would be thrown away. Its age is then understated by that much.
SKEW_S: Final = 0.05


class Merger:
    """Puts readings of one time into one row.

    A row is given out when every channel that was in both rows before it is there (so an even
    stream waits for nothing), when something newer comes, or after ``HOLD_S``.

    Attributes:
        skewed: Readings that joined a row newer than themselves.
    """

    def __init__(self) -> None:
        self.skewed = 0
        self._row: list[float] | None = None
        self._places: set[int] = set()
        self._expected: set[int] = set()
        self._before: set[int] = set()
        self._opened_ns = 0
        self._arrived_ns = 0
        self._newest_s: float | None = None

    @property
    def holding(self) -> bool:
        """Whether a row waits for more."""
        return self._row is not None

    def add(self, place: int, value: float, time_s: float | None, now_ns: int) -> list[Arrival]:
        """Take a reading; return the rows that are complete, oldest first.

        Args:
            place: Its column in a sample.
            value: It, in the channel's unit.
            time_s: Its time; None where it has none: then rows take the arrival of their first.
            now_ns: When it came, steady clock.
        """
        done: list[Arrival] = []
        row = self._row
        if row is not None:
            ahead_s = 0.0 if time_s is None else time_s - row[0]
            if place in self._places or ahead_s > SAME_S or ahead_s < -SKEW_S:
                done.append(self._give_out())
            elif ahead_s < -SAME_S:
                self.skewed += 1
        if self._row is None:
            self._open(now_ns * 1e-9 if time_s is None else time_s, now_ns)
        if self._row is not None:
            self._row[place] = value
        self._places.add(place)
        self._arrived_ns = now_ns
        if self._expected and self._expected <= self._places:
            done.append(self._give_out())
        return done

    def expire(self, now_ns: int) -> list[Arrival]:
        """Return the row that has waited long enough, if there is one."""
        if self._row is None or now_ns - self._opened_ns < HOLD_S * 1e9:
            return []
        return [self._give_out()]

    def _open(self, time_s: float, now_ns: int) -> None:
        newest_s = self._newest_s
        if newest_s is not None and 0.0 < newest_s - time_s <= SKEW_S:
            self.skewed += 1
            time_s = newest_s
        if newest_s is None or time_s > newest_s or newest_s - time_s > CLOCK_STEP_S:
            self._newest_s = time_s
        self._row = list(tick(time_s))
        self._places = set()
        self._opened_ns = now_ns

    def _give_out(self) -> Arrival:
        row, self._row = self._row, None
        self._expected = self._places & self._before
        self._before = self._places
        return Arrival(Sample._make(row or ()), self._arrived_ns)
