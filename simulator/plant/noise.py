"""Seeded noise, drawn in blocks of a fixed span of time.

Each sample takes the same number of draws whatever is wrong with the car, and each combustion one:
only then is a faulty run the healthy run, bit for bit, up to the onset. Blocks are numbered, so a
run of any length needs no more memory than one.
"""

from typing import Any, Final

import numpy as np
from numpy.random import PCG64, Generator, SeedSequence

from simulator.plant.layout import N_NORMAL, N_UNIFORM

BLOCK_S: Final = 40.96
_SAMPLES: Final = 1  # numbers of the streams; 0 is the car's own spread
_CYCLES: Final = 2


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
    """Return one block's draws for its samples, flat: normals, then uniforms, for each."""
    source = generator(seed, _SAMPLES, block)
    normals = source.standard_normal((samples, N_NORMAL))
    return np.hstack((normals, source.random((samples, N_UNIFORM)))).reshape(-1)


def cycle_draws(seed: int, block: int, samples: int, rate_hz: float, most_per_s: float) -> Any:
    """Return one block's draws for combustions: unit normals, more than there can be."""
    count = int(samples / rate_hz * most_per_s) + 64
    return generator(seed, _CYCLES, block).standard_normal(count)
