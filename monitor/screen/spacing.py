"""How far apart a source's samples usually come, so that a slow one is not called silent."""

from collections import deque
from itertools import pairwise
from math import nan
from statistics import median
from typing import Final

SILENT_S: Final = 0.5  # older than this is old: ten frames, or a slow logger's five samples
LONGEST_WAIT_S: Final = 3.0  # however slow the source: longer than this is silence
_KEPT: Final = 9  # the middle one of so many: four gaps of silence among them change nothing
_OFTEN: Final = 2.1  # as many usual spacings without a sample are silence


class Spacing:
    """Learns from the times at which new samples were heard of."""

    def __init__(self) -> None:
        self._heard: deque[tuple[float, float]] = deque(maxlen=_KEPT + 1)

    def heard(self, now_s: float, count: float) -> None:
        """Note that something new came at ``now_s``, steady time, and how many came so far."""
        self._heard.append((now_s, count))

    @property
    def usual_s(self) -> float:
        """The usual spacing as seen from here (frames come at most 20 a second), s; 0 at first."""
        times_s = [time_s for time_s, _ in self._heard]
        return median(b - a for a, b in pairwise(times_s)) if len(times_s) > 1 else 0.0

    @property
    def rate(self) -> float:
        """Samples a second over what is remembered; NaN where that is not known yet."""
        if len(self._heard) < 2:
            return nan
        (t0, n0), (t1, n1) = self._heard[0], self._heard[-1]
        return (n1 - n0) / (t1 - t0) if t1 > t0 else nan

    @property
    def silent_after_s(self) -> float:
        """Age of the newest sample from which on the source counts as silent, s."""
        return min(LONGEST_WAIT_S, max(SILENT_S, _OFTEN * self.usual_s))
