"""Seeded noise, drawn in blocks of a fixed span of time.

Each sample takes the same number of draws whatever is wrong with the car, and each combustion one:
only then is a faulty run the healthy run, bit for bit, up to the onset. Blocks are numbered, so a
run of any length needs no more memory than one.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.random import PCG64, Generator, SeedSequence

from rules.record import Record

BLOCK_S: Final = 40.96
_SAMPLES: Final = 1  # numbers of the streams; 0 is the car's own spread
_CYCLES: Final = 2


@dataclass(slots=True)
class _Normals(Record):
    """Unit normal deviates."""

    flow: float = 0.0
    boost: float = 0.0
    speed: float = 0.0
    intake: float = 0.0
    dry: float = 0.0
    supply: float = 0.0
    lambda_ratio: float = 0.0
    line: float = 0.0
    aim: float = 0.0
    shift: float = 0.0
    sensor: float = 0.0


@dataclass(slots=True)
class Draw(_Normals):
    """All that is drawn for one sample: the deviates, then numbers from 0 up to 1."""

    pick: float = 0.0
    how: float = 0.0
    size: float = 0.0
    spike: float = 0.0
    link: float = 0.0
    link_size: float = 0.0


_WIDTH: Final = len(Draw.names())
_N_NORMAL: Final = len(_Normals.names())


def generator(seed: int, *stream: int) -> Generator:
    """Return the generator of one stream of one seed.

    Args:
        seed: Seed of the run, 0 or more.
        stream: Numbers of the purpose, each 0 or more.

    Raises:
        ValueError: From numpy, if any is negative.
    """
    return Generator(PCG64(SeedSequence([seed, *stream])))


def block_samples(rate_hz: float) -> int:
    """Return how many samples a block holds."""
    return max(1, round(BLOCK_S * rate_hz))


def sample_draws(seed: int, block: int, samples: int) -> Any:
    """Return one block's draws for its samples: rows of numbers in the order of ``Draw``."""
    source = generator(seed, _SAMPLES, block)
    normals = source.standard_normal((samples, _N_NORMAL))
    return np.hstack((normals, source.random((samples, _WIDTH - _N_NORMAL))))


def cycle_draws(seed: int, block: int, samples: int, rate_hz: float, most_per_s: float) -> Any:
    """Return one block's draws for combustions: unit normals, more than there can be."""
    count = int(samples / rate_hz * most_per_s) + 64
    return generator(seed, _CYCLES, block).standard_normal(count)
