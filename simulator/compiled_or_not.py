"""Compiled or interpreted: which way of running the plant is the sooner one done."""

from dataclasses import dataclass
from typing import Final

from simulator.compiled_mark import DRIVE_ON, is_on_disk

INTERPRETED_PACE: Final = 15.0  # simulated seconds a second, on a slow core
COMPILED_PACE: Final = 400.0
COMPILING_S: Final = 20.0
# Compile once running interpreted costs half as much: nobody knows how often it will be wanted.
_ENOUGH_S: Final = 0.5 * COMPILING_S
_WORTH_SAYING_S: Final = 4.0


@dataclass(frozen=True, slots=True)
class Way:
    """How to run the plant.

    Attributes:
        compiled: Compiled, or interpreted.
        why_slow: What to tell whoever waits; empty where nobody has to.
    """

    compiled: bool
    why_slow: str


def choose(simulated_s: float) -> Way:
    """Choose a way to run so many simulated seconds; both give the same bits.

    Args:
        simulated_s: Time to simulate in all, seconds.
    """
    if is_on_disk(DRIVE_ON):
        takes_s = simulated_s / COMPILED_PACE
        slow = takes_s > _WORTH_SAYING_S
        return Way(True, f"simulating takes {_about(takes_s)}" if slow else "")
    takes_s = simulated_s / INTERPRETED_PACE
    if takes_s < _ENOUGH_S:
        slow = takes_s > _WORTH_SAYING_S
        return Way(
            False,
            f"simulating takes {_about(takes_s)}: the plant is not compiled on this machine yet"
            if slow
            else "",
        )
    takes_s = COMPILING_S + simulated_s / COMPILED_PACE
    return Way(
        True,
        f"simulating takes {_about(takes_s)}: the plant is compiled first, once on this machine",
    )


def _about(seconds: float) -> str:
    """Return a time in words, roughly."""
    if seconds < 90.0:
        return f"about {max(seconds, 1.0):z.0f} s"
    return f"about {seconds / 60.0:z.0f} min"
