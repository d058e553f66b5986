"""A log's own clock, beside times from its start."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

NEAR_NOUGHT_S: Final = 1.0  # a count of seconds that begins no later counts from the start already
_OF_THIS_CENTURY_S: Final = (946_684_800.0, 4_102_444_800.0)  # since 1970
_HOUR_S: Final = 3600.0
_DAY_S: Final = 24.0 * _HOUR_S


@dataclass(frozen=True, slots=True)
class OwnClock:
    """What stood on a log's own clock at its start.

    Attributes:
        starts: As written, or as it counts; empty where its times are from the start already.
        start_s: The same in seconds: in its day, in its hour, or as it counts.
        wraps_s: After how long it begins again, s; 0 where it counts on.
    """

    starts: str = ""
    start_s: float = 0.0
    wraps_s: float = 0.0

    def at(self, time_s: float) -> str:
        """Return what stood on it so long after the start; empty where it has none.

        Such as ``14:05:06.10``, ``05:06.10`` of one that shows no hours, or ``4321.10 s``.
        """
        if not self.starts:
            return ""
        if not self.wraps_s:
            return f"{self.start_s + time_s:z.2f} s"
        hundredths = round(100.0 * ((self.start_s + time_s) % self.wraps_s))
        minutes, rest = divmod(hundredths % round(100.0 * self.wraps_s), 6000)
        hours = f"{minutes // 60:02d}:" if self.wraps_s > _HOUR_S else ""
        return f"{hours}{minutes % 60:02d}:{rest // 100:02d}.{rest % 100:02d}"


def counted_from(first_s: float, *, is_moment: bool = False) -> OwnClock:
    """Return the clock of a log whose first time is a number; one near nought is none.

    Args:
        first_s: Its first time, s.
        is_moment: Whether that counts from 1970, as Arrow's timestamps do; so does a number that
            would be from 2000 to 2100.
    """
    if 0.0 <= first_s < NEAR_NOUGHT_S:
        return OwnClock()
    if is_moment or _OF_THIS_CENTURY_S[0] <= first_s < _OF_THIS_CENTURY_S[1]:
        moment = np.datetime64(round(1e3 * first_s), "ms")
        return OwnClock(str(moment), first_s % _DAY_S, _DAY_S)
    return OwnClock(f"{first_s:z.12g} s", first_s)


def time_in_words(starts: str, remark: str) -> Iterator[str]:
    """Yield what is worth knowing of a log's times (see ``LogBlocks``)."""
    if starts:
        yield f"0 s is {starts} by the log's own clock"
    if remark:
        yield remark
