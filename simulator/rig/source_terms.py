"""How a log or a serial port is read: its columns, its time, its lines."""

from dataclasses import dataclass
from typing import Final

TIME_FACTORS: Final = {"s": 1.0, "ms": 1.0e-3, "us": 1.0e-6, "min": 60.0}
CLOCK: Final = "clock"  # hh:mm:ss and the like, with or without a date
ROWS: Final = "rows"  # no column: each row is a period after the one before


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """A channel's column: ``channel_value = raw * factor + offset``; ``unit`` as written."""

    column: str
    factor: float = 1.0
    offset: float = 0.0
    unit: str = ""


@dataclass(frozen=True, slots=True)
class TimeMap:
    """The time column: ``time_s = raw * factor``; ``unit`` as written.

    ``period_s`` is the time from one row to the next that ``flowdebt check`` reckons with; where
    the unit is ``ROWS``, a log has no time column, and this tells time.
    """

    column: str = "time_s"
    unit: str = "s"
    period_s: float = 0.01

    @property
    def factor(self) -> float:
        """Seconds in one of the column's unit."""
        return TIME_FACTORS.get(self.unit, 1.0)

    @property
    def counts_rows(self) -> bool:
        """Whether time is told by rows, since there is no column of it."""
        return self.unit == ROWS


@dataclass(frozen=True, slots=True)
class SerialTerms:
    """A serial port: its speed, and its columns where it sends no header line.

    ``crc`` and ``sequence`` name the columns by which a line checks itself, where it has them.
    """

    baud: int = 115200
    columns: tuple[str, ...] | None = None
    crc: str | None = None
    sequence: str | None = None
