"""How fast rows come, and whether that is fast enough to judge this rig by."""

from typing import Final

from rules.facts import Rig
from rules.handling import longest_period_s
from rules.step.state import Decision

MEASURED_S: Final = 5.0  # of spray
UNDOUBTED_S: Final = 0.04  # nearer rows than this are near enough for any rig
MORE: Final = 1.1  # times what the rig needs: not for a little jitter
IN_PACE: Final = "rows come fast enough for this rig again"


class RowPace:
    """Measures how far apart rows are while spray is commanded; feed it every decision.

    Args:
        rig: The rig whose guard makes the decisions.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._longest_s: float | None = None  # worked out where it may matter
        self._before_s: float | None = None
        self._time_s, self._rows = 0.0, 0
        self._too_slow = False

    def take(self, d: Decision) -> str:
        """Take a decision; return what there is to say: empty, nearly always."""
        if d.late:
            return ""
        before_s, self._before_s = self._before_s, d.clock_s
        if d.commanded_ml_min <= 0.0 or before_s is None:
            return ""
        self._time_s += d.clock_s - before_s
        self._rows += 1
        if self._time_s < MEASURED_S:
            return ""
        period_s = self._time_s / self._rows
        self._time_s, self._rows = 0.0, 0
        return self._judged(period_s)

    def _judged(self, period_s: float) -> str:
        before, self._too_slow = self._too_slow, False
        if period_s > UNDOUBTED_S:
            if self._longest_s is None:
                self._longest_s = longest_period_s(self._rig)
            self._too_slow = period_s > MORE * self._longest_s
        if self._too_slow == before:
            return ""
        if not self._too_slow or self._longest_s is None:
            return IN_PACE
        return (
            f"rows come {1000.0 * period_s:z.0f} ms apart, too far to judge this rig by: a pump "
            f"that stops would be handled later than the engine survives. Expected at most "
            f"{1000.0 * self._longest_s:z.0f} ms ({1.0 / self._longest_s:z.0f} a second): check "
            "what the logger sends, and how fast"
        )
