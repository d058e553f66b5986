"""What a car's sensors say now, whatever a guard makes of it."""

from rules.channels import COLUMN_OF, N_CHANNELS, NOT_SENT, Sample
from rules.facts import Rig

_NEVER_S = float("-inf")


class Readings:
    """Keeps the last reading of each channel for as long as the rig lets it count.

    Args:
        rig: Whose channels these are.
    """

    def __init__(self, rig: Rig) -> None:
        self._ages = {COLUMN_OF[terms.name]: terms.max_age_s for terms in rig.channels}
        self._values = [float("nan")] * (N_CHANNELS + 1)
        self._sent_s = [_NEVER_S] * (N_CHANNELS + 1)
        self._now_s = _NEVER_S

    def take(self, row: Sample, now_s: float) -> None:
        """Take a row that came at a time of the drive, s."""
        self._now_s = now_s
        for column in self._ages:
            if row[column] != NOT_SENT:
                self._values[column] = row[column]
                self._sent_s[column] = now_s

    def value(self, column: int) -> float:
        """Return a channel's reading; NaN where there is none, or none that still counts."""
        if self._now_s - self._sent_s[column] > self._ages.get(column, 0.0):
            return float("nan")
        return self._values[column]

    def copy(self) -> "Readings":
        """Return these readings, to go back to."""
        copied = object.__new__(Readings)
        copied._ages, copied._now_s = self._ages, self._now_s
        copied._values, copied._sent_s = self._values[:], self._sent_s[:]
        return copied
