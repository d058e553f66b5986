"""A log's times as a plot has them: never falling, whatever the device's clock did."""

from dataclasses import dataclass

import numpy as np

from monitor.review.window import Floats
from rules.step.state import Decision


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """How far the plot's time axis has come.

    Attributes:
        time_s: The guard's time in the newest row.
        axis_s: Where that row stands on the axis.
        shift_s: By how much rows are shown later than their own clock says.
    """

    time_s: float
    axis_s: float
    shift_s: float = 0.0

    def follow(self, decisions: Floats, *, started: bool) -> tuple[Floats, "TimeAxis"]:
        """Return where rows stand on the axis, and how far it has come then.

        Args:
            decisions: (n, N_DECISION), n at least 1.
            started: Whether the guard had seen a time before; one that hasn't says 0.
        """
        named = Decision.named(decisions)
        times: Floats = named["time_s"].copy()
        if not started:
            seen = np.flatnonzero(named["late"] == 0.0)
            times[: seen[0] if len(seen) else len(times)] = self.time_s
        steps = np.diff(times, prepend=self.time_s)
        shifts = self.shift_s + np.cumsum(np.where(steps < 0.0, -steps, 0.0))
        # Rounding of the shift may not make it fall either.
        axis_s = np.maximum(np.maximum.accumulate(times + shifts), self.axis_s)
        return axis_s, TimeAxis(float(times[-1]), float(axis_s[-1]), float(shifts[-1]))
