"""How far a live source's clock may run from ours, how soon it is found, and what is said of it.

``monitor.guard.clock_watch`` compares; ``rules.guard`` judges what it found, as the row has it.
"""

from math import inf
from typing import Final

# Forgiven for ever. Ten times what the worst resonators and RC oscillators of loggers do (common
# practice, no source); times of detection grow in the same proportion, within their margin.
TOLERANCE: Final = 0.1
# What carries readings may hold them back so long: USB bridges 16 ms, a busy machine some 0.2 s.
HELD_BACK_S: Final = 0.3
LASTING_S: Final = 0.5


def found_after_s(pace: float) -> float:
    """Return how long a clock runs at ``pace`` before it is found; infinite where it is not."""
    off = abs(1.0 - pace) - TOLERANCE
    return HELD_BACK_S / off + LASTING_S if off > 0.0 else inf


def pace_in_words(pace: float) -> str:
    """Return how a clock runs that takes ``pace`` seconds for one of ours (not 1)."""
    if not 0.0 < pace < inf:
        return "at no known pace"
    times = max(pace, 1.0 / pace)
    factor = f"{times:z.3g}" if times < 100.0 else f"{times:z.0f}"
    return f"{factor} times too {'slow' if pace < 1.0 else 'fast'}"
