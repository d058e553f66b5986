"""Two running averages in constant memory, for advice (exp is not for the decision path)."""

from math import exp, inf, nan
from typing import Final

_MEMORY_S: Final = 8.0
_FAR_WEIGHT: Final = 0.03
_KNOWN_S: Final = 0.25  # healthy time after which a level counts as known


class Level:
    """A running mean, over at most ``_MEMORY_S`` of time."""

    __slots__ = ("mean", "seen_s")

    def __init__(self) -> None:
        self.mean = 0.0
        self.seen_s = 0.0

    @property
    def known(self) -> bool:
        """Whether enough was seen."""
        return self.seen_s >= _KNOWN_S

    def learn(self, x: float, dt_s: float, near: float = inf) -> None:
        """Take a value in; one further off than ``near`` counts little, or a fault would fit in."""
        if self.known and abs(x - self.mean) > near:
            dt_s *= _FAR_WEIGHT
        self.seen_s = min(self.seen_s + dt_s, _MEMORY_S)
        self.mean += dt_s / max(self.seen_s, 1e-9) * (x - self.mean)


class Average:
    """A short exponential average; at first the plain mean, as one value alone may be far off."""

    __slots__ = ("_weight", "lag_s", "value")

    def __init__(self, lag_s: float) -> None:
        self.lag_s = lag_s
        self.value = nan
        self._weight = 0.0

    def take(self, x: float, dt_s: float) -> float:
        """Take a value that stood for ``dt_s``; return the average."""
        keep = exp(-dt_s / self.lag_s)
        if self.value != self.value:
            self.value = x
            self._weight = 1.0 - keep
        else:
            self._weight = 1.0 - keep * (1.0 - self._weight)
            self.value += (1.0 - keep) / max(self._weight, 1e-9) * (x - self.value)
        return self.value
