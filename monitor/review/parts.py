"""Parts of a block of rows, each reduced to a number, all at once."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from monitor.review.window import Floats


class Parts:
    """Parts of rows, in order; none is empty, and none overlaps another.

    Args:
        begins: First row of each, (p,), p at least 1.
        ends: Behind the last of each.

    Attributes:
        starts: Where each begins among the m rows that are in a part, (p,).
        part: Which one each of these is in, (m,).
    """

    def __init__(self, begins: Sequence[int] | Any, ends: Sequence[int] | Any) -> None:
        first = np.asarray(begins, np.intp)
        lengths = np.asarray(ends, np.intp) - first
        self.starts: Any = np.cumsum(lengths) - lengths
        self.part: Any = np.repeat(np.arange(len(first)), lengths)
        self._before = first - self.starts  # rows of all that are in none
        # A slice where that does: it copies nothing.
        self._rows: Any = slice(begins[0], ends[0])
        if len(first) > 1:
            self._rows = self.row(np.arange(len(self.part)))

    def inside(self, values: Any) -> Any:
        """Return those of all rows' values, (n,), that are in a part, (m,)."""
        return values[self._rows]

    def row(self, at: Any) -> Any:
        """Return which row is the one at some place among those that are in a part."""
        return at + self._before[self.part[at]]

    def reduced(self, how: np.ufunc, values: Any) -> Any:
        """Return what each part's values come to, (p,).

        Args:
            how: Of two values, such as ``np.add``.
            values: Of all rows, (n,).
        """
        return how.reduceat(self.inside(values), self.starts)

    def highest(self, values: Floats) -> tuple[Any, Any]:
        """Return each part's highest value and the first row that has it, (p,) both.

        NaN, and any row of a part, where a part has none.
        """
        inside = self.inside(values)
        if len(self.starts) == 1:  # the same, quickly
            top = np.fmax.reduce(inside)
            return np.array([top]), self._before + (inside == top).argmax()
        highest = np.fmax.reduceat(inside, self.starts)
        hits = np.flatnonzero(inside == highest[self.part])
        first = np.searchsorted(self.part[hits], np.arange(len(highest)))
        return highest, self.row(np.append(hits, 0)[first])
