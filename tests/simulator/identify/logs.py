"""A log of a known car, by one line."""

from typing import Any

import numpy as np

from simulator.identify import Series
from tests.kit.known_cars import KnownCar, drive, log_of


def known_log(seed: int, *, pulls: int = 6, asked: Any = None, **truth: float) -> Series:
    """Return the log of a car of this truth: some pulls, or what was asked at every millisecond."""
    rng = np.random.default_rng(seed)
    return log_of(rng, KnownCar(**truth), drive(rng, pulls) if asked is None else asked)
