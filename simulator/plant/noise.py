"""Seeded noise, drawn in blocks: one stream a purpose, so that one never shifts another.

A fault that draws more or fewer numbers must not change the noise of anything else: only then
is a faulty run the healthy run, bit for bit, up to the onset.
"""

from math import exp, sqrt

from numpy.random import PCG64, Generator, SeedSequence

_BLOCK = 4096


def generator(seed: int, stream: int) -> Generator:
    """Return the generator of one stream of one seed.

    Args:
        seed: Seed of the run, 0 or more.
        stream: Number of the purpose, 0 or more.

    Raises:
        ValueError: From numpy, if either is negative.
    """
    return Generator(PCG64(SeedSequence([seed, stream])))


class Normal:
    """Independent unit normal deviates (mean 0, standard deviation 1)."""

    __slots__ = ("_block", "_generator", "_next")

    def __init__(self, seed: int, stream: int) -> None:
        self._generator = generator(seed, stream)
        self._block: list[float] = []
        self._next = 0

    def draw(self) -> float:
        """Return the next deviate."""
        if self._next == len(self._block):
            self._block = self._generator.standard_normal(_BLOCK).tolist()
            self._next = 0
        self._next += 1
        return self._block[self._next - 1]


class Uniform:
    """Independent deviates in [0, 1)."""

    __slots__ = ("_block", "_generator", "_next")

    def __init__(self, seed: int, stream: int) -> None:
        self._generator = generator(seed, stream)
        self._block: list[float] = []
        self._next = 0

    def draw(self) -> float:
        """Return the next deviate."""
        if self._next == len(self._block):
            self._block = self._generator.random(_BLOCK).tolist()
            self._next = 0
        self._next += 1
        return self._block[self._next - 1]


class Coloured:
    """Unit-variance noise with an exponential autocorrelation: a first-order autoregression.

    Args:
        seed: Seed of the run.
        stream: Number of the purpose.
        correlation_s: Time in which the correlation falls to 1/e, seconds, > 0.
        dt_s: Time between draws, seconds, > 0.
    """

    __slots__ = ("_gain", "_keep", "_normal", "value")

    def __init__(self, seed: int, stream: int, correlation_s: float, dt_s: float) -> None:
        self._normal = Normal(seed, stream)
        self._keep = exp(-dt_s / correlation_s)
        self._gain = sqrt(1.0 - self._keep * self._keep)
        self.value = self._normal.draw()

    def draw(self) -> float:
        """Return the next value."""
        self.value = self._keep * self.value + self._gain * self._normal.draw()
        return self.value
