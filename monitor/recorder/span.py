"""How much a drive holds: its readings, counted without the ticks for silence, and the time."""

from typing import Any, Final

import msgspec
import numpy as np

from rules.channels import AHEAD_S, BOOST, LATE_S, N_CHANNELS, NOT_SENT, TIME, TIME_BOUND_S

_CHANNELS: Final = slice(1, N_CHANNELS + 1)


class Span(msgspec.Struct):
    """What rows come to, in the order in which they came.

    Attributes:
        readings: Rows in which at least one channel was sent; None where they were not counted.
        from_s: First time, s; None without a row.
        to_s: Newest time, s, since the source's clock last stepped back.
        passed_s: Time that passed, s, without what steps of the clock hide.
        steps_back: How often the source's clock stepped back, as where it starts again.
    """

    readings: int | None = None
    from_s: float | None = None
    to_s: float | None = None
    passed_s: float = 0.0
    steps_back: int = 0

    @property
    def length_s(self) -> float | None:
        """How long the drive is, s; None without a row.

        Gaps count, unless the clock stepped back somewhere: then nobody knows them from its steps.
        """
        if self.from_s is None or self.to_s is None:
            return None
        return self.passed_s if self.steps_back else self.to_s - self.from_s

    def take(self, rows: Any) -> None:
        """Count rows, (n, ROW_WIDTH)."""
        self.readings = int(np.count_nonzero(readings_of(rows))) + (self.readings or 0)
        times = rows[:, TIME].copy()  # one after the other: quicker to go through
        told = np.abs(times) < TIME_BOUND_S  # NaN too says nothing
        times = times if told.all() else times[told]
        if not len(times):
            return
        if self.from_s is None or self.to_s is None:
            self.from_s = self.to_s = float(times[0])
        steps = np.empty(len(times))
        steps[0] = times[0] - self.to_s
        np.subtract(times[1:], times[:-1], out=steps[1:])
        if (steps >= 0.0).all():  # as nearly always
            self.passed_s += float(steps[steps <= AHEAD_S].sum())
            self.to_s = float(times[-1])
            return
        for time_s in times.tolist():
            step_s = time_s - self.to_s
            if -LATE_S <= step_s < 0.0:
                continue
            if step_s < 0.0:
                self.steps_back += 1
            elif step_s <= AHEAD_S:
                self.passed_s += step_s
            self.to_s = time_s

    def in_words(self) -> str:
        """Return the readings and the time in a clause: ``2400 rows, 0.01 to 24.00 s``."""
        words = counted(self.readings or 0, "row")
        if self.from_s is None or self.to_s is None:
            return words
        if not self.steps_back:
            return f"{words}, {self.from_s:z.2f} to {self.to_s:z.2f} s"
        times = counted(self.steps_back, "time")
        return (
            f"{words}, {self.passed_s:z.2f} s: from {self.from_s:z.2f} s to {self.to_s:z.2f} s by "
            f"a clock that stepped back {times}"
        )


def readings_of(rows: Any) -> Any:
    """Return which rows, (n, ROW_WIDTH), hold a reading: a tick for silence holds none."""
    sent = rows[:, BOOST] != NOT_SENT  # in every row, nearly always
    return sent if sent.all() else (rows[:, _CHANNELS] != NOT_SENT).any(axis=1)


def counted(count: int, thing: str) -> str:
    """Return a count and what is counted: ``1 row``, ``2 rows``."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"
