"""A recorded log as a source: paced as it was recorded, faster, slower, or as fast as possible."""

from collections.abc import Generator
from math import inf
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from monitor.clock import now_ns, now_s
from monitor.source_facts import SourceKind, SourceStatistics
from monitor.sources.base import Arrival, Notice
from monitor.sources.pause import Pause
from rules.channels import Sample
from rules.step.state import Decision
from simulator.strict import clean

LONGEST_PAUSE_S: Final = 5.0  # a gap of an hour in a log is no reason to wait an hour
TEXT_CELLS: Final = "text where a number belongs, read as not a number"
YIELD_EVERY: Final = 256
MOST_ROWS: Final = 1024  # made into lists at a time: a block of a narrow log has 100 000 rows


class RecordedSource:
    """Rows of a log, one by one.

    Args:
        path: The log, for its name.
        blocks: Its rows as (n, ROW_WIDTH) matrices; also has ``statistics``.
        speed: 1 is real time, 10 ten times that; infinite is as fast as possible.
    """

    kind = SourceKind.RECORDED

    def __init__(self, path: Path, blocks: Any, *, speed: float = 1.0) -> None:
        self.name = f"{clean(path.name)}, recorded"
        # Blocks are read far ahead; what counts here is what has been handed over.
        self._read: SourceStatistics = blocks.statistics
        self.statistics = SourceStatistics(connects=1, rejected=self._read.rejected)
        self._blocks = blocks
        self._speed = speed
        self._rows: Generator[list[float] | Notice, None, None] | None = None
        self._told = False
        self._told_cut = False
        self._told_text = False
        self._pause = Pause()
        self._start_s: float | None = None
        self._first_s = 0.0
        self._newest_s = 0.0
        self._count = 0

    async def __aenter__(self) -> Self:
        """Get ready to read."""
        self._rows = self._each_row()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop, and close the log."""
        self._pause.close()
        if self._rows is not None:
            self._rows.close()

    def __aiter__(self) -> Self:
        """Return itself."""
        return self

    async def __anext__(self) -> Arrival | Notice:
        """Return the next row when it is due.

        Raises:
            BadInput: The log can't be read on from here.
        """
        if not self._told:
            self._told = True
            return Notice("connected", self.name)
        row = None if self._rows is None or self._pause.closed else next(self._rows, None)
        if isinstance(row, Notice):
            return row
        if row is None or not await self._wait_for(row[0]):
            self._count_received()
            cut = getattr(self._blocks, "cut", None)
            if cut is not None and row is None and not (self._told_cut or self._pause.closed):
                self._told_cut = True
                return Notice("lost", f"the recording is not whole: {cut}")
            raise StopAsyncIteration
        self.statistics.decoded += 1
        self._count_received()
        return Arrival(Sample._make(row), now_ns())

    def _count_received(self) -> None:
        statistics = self.statistics
        statistics.received = statistics.decoded + sum(statistics.rejected.values())
        statistics.clock = self._read.clock
        statistics.no_numbers = self._read.no_numbers

    def react(self, decision: Decision) -> None:
        """Do nothing: what is recorded has happened."""

    def _each_row(self) -> Generator[list[float] | Notice, None, None]:
        terms = ""
        for block in self._blocks:
            now = getattr(self._blocks, "rig_text", "")
            if now != terms:
                terms = now
                words = "recorded with other thresholds from here on; those are not followed"
                yield Notice("thresholds", words)
            if self._read.no_numbers and not self._told_text:
                self._told_text = True
                yield Notice("unusable", f"{TEXT_CELLS}; flowdebt review names the lines")
            for start in range(0, len(block), MOST_ROWS):
                yield from block[start : start + MOST_ROWS].tolist()

    async def _wait_for(self, time_s: float) -> bool:
        self._count += 1
        if self._speed == inf or not -inf < time_s < inf:
            return self._count % YIELD_EVERY != 0 or await self._pause.wait(0.0)
        now = now_s()
        if self._start_s is None:
            self._start_s, self._first_s = now, time_s
        elif not -1.0 < time_s - self._newest_s < LONGEST_PAUSE_S * self._speed:
            self._start_s, self._first_s = now + 0.1, time_s
        self._newest_s = time_s
        wait_s = self._start_s + (time_s - self._first_s) / self._speed - now
        if wait_s > 0.0 or self._count % YIELD_EVERY == 0:
            return await self._pause.wait(wait_s)
        return True
