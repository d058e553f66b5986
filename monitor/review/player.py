"""Play and pause, steps and jumps: where the cursor stands. Time is handed in."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Final

from monitor.review.decided_log import Decided

RATES: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
LONGEST_GAP_S: Final = 5.0  # a gap of an hour in a log is no reason to wait an hour


class Player:
    """The cursor of a replay.

    Every method that depends on the time takes ``now_s`` of a steady clock.

    Args:
        decided: What is played; may be put in anew by ``play_on`` (what if), the cursor stays.

    Attributes:
        playing: Whether time runs.
        rate: Log seconds a second; one of ``RATES``.
        index: The row the cursor stands on.
        time_s: The cursor's time on the axis: at or behind the row's, while playing through a gap.
    """

    def __init__(self, decided: Decided) -> None:
        self.playing = False
        self.rate = 1.0
        self.index = 0
        self.time_s = decided.from_s
        self._decided = decided
        self._last_s = 0.0

    def play_on(self, decided: Decided) -> None:
        """Go on with another deciding of the same log.

        Raises:
            ValueError: It is of another log.
        """
        if decided.log is not self._decided.log:
            raise ValueError("found a deciding of another log, expected one of the same")
        self._decided = decided

    @property
    def at_end(self) -> bool:
        """Whether the cursor stands on the last row."""
        return self.index >= self._decided.rows - 1

    def play(self, now_s: float) -> None:
        """Let time run; from the start again where it stands at the end."""
        if not self.playing and self.at_end:
            self._to_row(0)
        self.playing = True
        self._last_s = now_s

    def pause(self, now_s: float) -> None:
        """Stand still where it is now."""
        self.tick(now_s)
        self.playing = False

    def toggle(self, now_s: float) -> None:
        """Play, or pause."""
        if self.playing:
            self.pause(now_s)
        else:
            self.play(now_s)

    def change_rate(self, way: int, now_s: float) -> None:
        """Take the next higher rate (``way`` 1), or the next lower (-1), if there is one."""
        self.tick(now_s)
        self.rate = RATES[min(max(0, RATES.index(self.rate) + way), len(RATES) - 1)]

    def tick(self, now_s: float) -> int:
        """Move to where the cursor is now; return its row. Pauses at the end."""
        if not self.playing:
            return self.index
        passed_s = max(0.0, now_s - self._last_s)
        self._last_s = now_s
        decided = self._decided
        self.time_s = min(decided.to_s, self.time_s + passed_s * self.rate)
        self.index = decided.index_at(self.time_s)
        if not self.at_end:
            next_s = decided.time_s(self.index + 1)
            if next_s - decided.time_s(self.index) > LONGEST_GAP_S:
                self._to_row(self.index + 1)
        if self.at_end:
            self.time_s = decided.to_s
            self.playing = False
        return self.index

    def step_rows(self, count: int, now_s: float) -> int:
        """Pause and move by rows; negative is back."""
        self.pause(now_s)
        return self._to_row(self.index + count)

    def step_s(self, span_s: float, now_s: float) -> int:
        """Move by seconds of the log; negative is back. Goes on playing where it was."""
        self.tick(now_s)
        return self._to_time(self.time_s + span_s)

    def seek(self, time_s: float, now_s: float) -> int:
        """Move to a time on the axis; goes on playing where it was."""
        self.tick(now_s)
        return self._to_time(time_s)

    def seek_row(self, index: int, now_s: float) -> int:
        """Move to a row; goes on playing where it was."""
        self.tick(now_s)
        return self._to_row(index)

    def to_event(self, way: int, now_s: float, marks: Sequence[float] = ()) -> int | None:
        """Pause at the next row an event was raised in, or a mark stands on; None: there is none.

        Args:
            way: 1 for the next, -1 for the one before.
            now_s: Now.
            marks: Times of marks on the axis; events alone where empty.
        """
        self.pause(now_s)
        at_marks = (self._decided.index_at(time_s) for time_s in marks)
        stops = sorted({*self._decided.raised_at, *at_marks})
        place = bisect_right(stops, self.index) if way > 0 else bisect_left(stops, self.index) - 1
        return self._to_row(stops[place]) if 0 <= place < len(stops) else None

    def _to_row(self, index: int) -> int:
        self.index = min(max(0, index), self._decided.rows - 1)
        self.time_s = self._decided.time_s(self.index)
        return self.index

    def _to_time(self, time_s: float) -> int:
        decided = self._decided
        if time_s == time_s:
            self.time_s = min(max(time_s, decided.from_s), decided.to_s)
            self.index = decided.index_at(self.time_s)
        return self.index
