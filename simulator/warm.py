"""Whether the plant is compiled already, and which way of running it is the sooner one done.

A mark beside numba's cache says that exactly this plant is in it.
"""

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import simulator.plant

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


def _folder() -> Path:
    chosen = os.environ.get("NUMBA_CACHE_DIR")
    return Path(chosen) if chosen else Path(simulator.plant.__file__).parent / "__pycache__"


def is_warm() -> bool:
    """Whether loading the compiled plant will be quick. Loads the compiler only if it may be."""
    if not any(_folder().glob("warm-plant-*")):
        return False
    from simulator.plant.compiled import fingerprint

    return (_folder() / f"warm-plant-{fingerprint()}").exists()


def leave_mark() -> None:
    """Say that the plant has been compiled; where nothing can be written, say nothing."""
    from simulator.plant.compiled import fingerprint

    mark = _folder() / f"warm-plant-{fingerprint()}"
    with contextlib.suppress(OSError):
        if not mark.exists():
            for old in _folder().glob("warm-plant-*"):
                old.unlink(missing_ok=True)
            mark.touch()


def choose(simulated_s: float) -> Way:
    """Choose a way to run so many simulated seconds; both give the same bits.

    Args:
        simulated_s: Time to simulate in all, seconds.
    """
    if is_warm():
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
        return f"about {max(seconds, 1.0):.0f} s"
    return f"about {seconds / 60.0:.0f} min"
