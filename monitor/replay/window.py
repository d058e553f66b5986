"""What a plot draws of a stretch of time: the same reading face as the live screen's trace."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class Window:
    """Rows of a stretch, oldest first: each row itself, or low and high of every few dozen.

    Attributes:
        exact: Whether each row stands for itself; else two rows (lowest, highest value) at one time
            stand for up to 64.
    """

    exact: bool

    def __len__(self) -> int:
        raise NotImplementedError

    def column(self, name: str, since_s: float = float("-inf")) -> Floats:
        """Return a column from ``since_s`` on, one row before it included; NaN where unmapped."""
        raise NotImplementedError

    def newest(self, name: str) -> float:
        """Return a column's newest value; NaN where there is none."""
        raise NotImplementedError
