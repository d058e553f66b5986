"""Parts of a block of rows, each reduced to a number, all at once."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from monitor.review.window import Floats


class Parts:
    """Parts of rows, in order; none is empty, and none overlaps another.

    Args:
        begins: First row of each, (p,), p at least 1.
        ends: Behind the last of each.

    Attributes:
        starts: Where each begins among the rows that are in a part, (p,).
        rows: The rows that are in a part, (m,).
        part: Which one each of these is in, (m,).
    """

    def __init__(self, begins: Sequence[int] | Any, ends: Sequence[int] | Any) -> None:
        first = np.asarray(begins, np.intp)
        lengths: Final[Any] = np.asarray(ends, np.intp) - first
        self.starts: Any = np.cumsum(lengths) - lengths
        self.part: Any = np.repeat(np.arange(len(first)), lengths)
        self.rows: Any = np.repeat(first - self.starts, lengths) + np.arange(int(lengths.sum()))

    def reduced(self, how: np.ufunc, values: Any) -> Any:
        """Return what each part's values come to, (p,).

        Args:
            how: Of two values, such as ``np.add``.
            values: Of all rows, (n,).
        """
        return how.reduceat(values[self.rows], self.starts)

    def highest(self, values: Floats) -> tuple[Any, Any]:
        """Return each part's highest value and the first row that has it, (p,) both.

        NaN, and any row, where a part has none.
        """
        inside = values[self.rows]
        highest = np.fmax.reduceat(inside, self.starts)
        hits = np.flatnonzero(inside == highest[self.part])
        first = np.searchsorted(self.part[hits], np.arange(len(highest)))
        return highest, self.rows[np.append(hits, 0)[first]]
