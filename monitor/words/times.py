"""Moments of a log in words, as ``--at`` takes them."""

from typing import Final

CLOCK_FROM_S: Final = 1.0  # an axis that starts beyond this is a clock's: m:ss counts from there


def clock_words(time_s: float) -> str:
    """Return a time as ``m:ss.hh``, with hours where there are any."""
    if not abs(time_s) < 1e15:
        return "--"
    sign, hundredths = "-" if time_s < 0.0 else "", round(abs(time_s) * 100.0)
    minutes, rest = divmod(hundredths, 6000)
    hours, minutes = divmod(minutes, 60)
    head = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{sign}{head}:{rest // 100:02d}.{rest % 100:02d}"


def moment(time_s: float, from_s: float) -> str:
    """Return a moment of a log that starts at ``from_s``, in words that ``--at`` takes."""
    return clock_words(time_s - from_s if from_s >= CLOCK_FROM_S else time_s)
