"""The only place that asks what time it is. Deciding never does."""

import time
from datetime import UTC, datetime


def now_s() -> float:
    """Return a steady time, in seconds, for pacing and for ages (never for decisions)."""
    return time.monotonic()


def now_ns() -> int:
    """Return the steady time in nanoseconds."""
    return time.monotonic_ns()


def stamp() -> str:
    """Return date and time in UTC as ``2026-01-31T12-00-00Z``, fit for a folder's name."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H-%M-%SZ")  # noqa: TID251 (this is that place)
