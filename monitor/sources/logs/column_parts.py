"""One column of a log, gathered batch by batch: numbers, clock times, or text."""

from math import inf
from typing import Final

import numpy as np
import pyarrow as pa

from monitor.sources.logs.cell_words import are_clocks
from monitor.sources.logs.clock_time import ClockTime
from monitor.sources.logs.csv_cells import TextColumns
from monitor.sources.rows import Rows
from simulator.strict import BadInput

SECONDS: Final = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}  # Arrow's units of time
_LOOKED_AT: Final = 1000  # cells by which it is decided whether they are clock times


class ColumnParts:
    """Takes a column's cells.

    Args:
        where: How messages call it.
        decimal_point: As its numbers are written, where they are text.

    Attributes:
        blanks: Cells in which nothing was sent.
        texts: Cells with text in place of a number.
        numbers: Cells with a number, or a clock time.
        low: The smallest of these; infinite before the first.
        high: The largest.
        are_moments: Whether they are Arrow's timestamps.
        clock: What reads them, where they are clock times; else None.
        fault: Why it can't be read; None where it can.
    """

    def __init__(self, where: str, decimal_point: str) -> None:
        self._where = where
        self._floats = TextColumns(decimal_point)
        self._parts: list[Rows] = []
        self._is_decided = False
        self.blanks = 0
        self.texts = 0
        self.numbers = 0
        self.low, self.high = inf, -inf
        self.are_moments = False
        self.clock: ClockTime | None = None
        self.fault: BadInput | None = None

    def take(self, cells: pa.Array, *, keep: bool = True) -> Rows:
        """Take a batch, and return its numbers; NaN where there is none.

        Args:
            cells: Text, numbers or moments; null where nothing was sent.
            keep: Whether its numbers are kept, beside being counted.
        """
        self.blanks += cells.null_count
        values = self._numbers(cells)
        there = np.isfinite(values)
        count = int(np.count_nonzero(there))
        if count < len(values):
            values = np.where(there, values, np.nan)
        if count:
            self.numbers += count
            self.low = min(self.low, float(np.nanmin(values)))
            self.high = max(self.high, float(np.nanmax(values)))
        if keep:
            self._parts.append(values)
        return values

    def values(self) -> Rows:
        """Return its (n,) numbers as far as they were kept; NaN where there is none."""
        values: Rows = np.concatenate(self._parts)
        return values

    @property
    def first_text(self) -> str:
        """The first text in place of a number, as written; empty where there is none."""
        return self._floats.first_text

    def _numbers(self, cells: pa.Array) -> Rows:
        kind = cells.type
        if pa.types.is_string(kind) or pa.types.is_large_string(kind):
            return self._of_text(cells)
        factor = 1.0
        if pa.types.is_timestamp(kind) or pa.types.is_duration(kind):
            factor = SECONDS[kind.unit]
            self.are_moments = pa.types.is_timestamp(kind)
            cells = cells.cast(pa.int64())
        elif not (
            pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
        ):
            self.texts += len(cells) - cells.null_count
            return np.full(len(cells), np.nan)
        floats = cells.cast(pa.float64(), safe=False)
        numbers: Rows = floats.to_numpy(zero_copy_only=False) * factor
        return numbers

    def _of_text(self, cells: pa.Array) -> Rows:
        if not self._is_decided and cells.null_count < len(cells):
            self._is_decided = True
            if are_clocks(cells.drop_null().slice(0, _LOOKED_AT).to_pylist()):
                self.clock = ClockTime(self._where)
        if self.clock is None:
            numbers: Rows = self._floats.floats("", cells).to_numpy(zero_copy_only=False)
            self.texts = self._floats.no_numbers
            if self._floats.has_decimal_comma and 2 * self.texts > len(cells):
                self.fault = BadInput(
                    f"{self._where}: found decimal commas between commas, expected decimal points, "
                    "or semicolons between fields"
                )
            return numbers
        if self.fault is None:
            try:
                numbers = self.clock.follow(cells)
                self.texts = self.clock.unread
                return numbers
            except BadInput as error:
                self.fault = error
        return np.full(len(cells), np.nan)
