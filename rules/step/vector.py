"""The type of a state: anything that holds floats by index (a list, or a float64 array)."""

from typing import Protocol


class Vector(Protocol):
    """Floats by index, readable and writable."""

    def __getitem__(self, index: int, /) -> float:
        """Return the float at ``index``."""
        ...

    def __setitem__(self, index: int, value: float, /) -> None:
        """Put a float at ``index``."""
        ...
