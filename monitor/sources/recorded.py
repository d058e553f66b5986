"""A recorded log as a source: paced as it was recorded, faster, slower, or as fast as possible."""

from collections.abc import Generator, Iterator
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.clock import now_ns, now_s
from monitor.source_facts import SourceKind
from monitor.sources.base import Arrival, Item, Notice
from monitor.sources.logs.own_clock import time_in_words
from monitor.sources.paced import PacedSource
from rules.channels import Sample
from simulator.strict import clean

if TYPE_CHECKING:
    from monitor.recorder.reader import SessionBlocks
    from monitor.sources.logs.log_blocks import LogBlocks

LONGEST_PAUSE_S: Final = 5.0  # a gap of an hour in a log is no reason to wait an hour
TEXT_CELLS: Final = "text where a number belongs, read as not a number"
YIELD_EVERY: Final = 256
MOST_ROWS: Final = 1024  # made into lists at a time: a block of a narrow log has 100 000 rows


class RecordedSource(PacedSource):
    """Rows of a log, one by one.

    Args:
        path: The log, for its name.
        blocks: Its rows.
        speed: 1 is real time, 10 ten times that; infinite is as fast as possible.
    """

    kind = SourceKind.RECORDED

    def __init__(
        self, path: Path, blocks: "LogBlocks | SessionBlocks", *, speed: float = 1.0
    ) -> None:
        super().__init__(f"{clean(path.name)}, recorded")
        # Blocks are read far ahead; what counts here is what has been handed over.
        self._read = blocks.statistics
        self.statistics.rejected = self._read.rejected
        self._blocks = blocks
        self._speed = speed
        self._start_s: float | None = None
        self._first_s = 0.0
        self._newest_s = 0.0

    def _items(self) -> Generator[Item | float, None, None]:
        yield Notice("connected", self.name)
        count = 0
        try:
            for row in self._rows():
                if isinstance(row, Notice):
                    yield row
                    continue
                count += 1
                wait_s = self._wait_s(row[0])
                if wait_s > 0.0 or count % YIELD_EVERY == 0:
                    yield wait_s
                self.statistics.decoded += 1
                self._count_received()
                yield Arrival(Sample._make(row), now_ns())
        finally:
            self._count_received()
        if self._blocks.cut is not None:
            yield Notice("lost", f"the recording is not whole: {self._blocks.cut}")

    def _count_received(self) -> None:
        statistics = self.statistics
        statistics.received = statistics.decoded + sum(statistics.rejected.values())
        statistics.clock = self._read.clock
        statistics.no_numbers = self._read.no_numbers

    def _rows(self) -> Iterator[list[float] | Notice]:
        rig_text = ""
        text_is_reported = time_is_reported = False
        for block in self._blocks:
            if self._blocks.rig_text != rig_text:
                rig_text = self._blocks.rig_text
                words = "recorded with other thresholds from here on; those are not followed"
                yield Notice("thresholds", words)
            if self._read.no_numbers and not text_is_reported:
                text_is_reported = True
                yield Notice("unusable", f"{TEXT_CELLS}; flowdebt review names the lines")
            if not time_is_reported:
                time_is_reported = True
                for words in time_in_words(self._blocks.starts, self._blocks.time_remark):
                    yield Notice("clock", words)
            for start in range(0, len(block), MOST_ROWS):
                yield from block[start : start + MOST_ROWS].tolist()

    def _wait_s(self, time_s: float) -> float:
        """Return how long it is until a row is due."""
        if self._speed == inf or not -inf < time_s < inf:
            return 0.0
        now = now_s()
        if self._start_s is None:
            self._start_s, self._first_s = now, time_s
        elif not -1.0 < time_s - self._newest_s < LONGEST_PAUSE_S * self._speed:
            self._start_s, self._first_s = now + 0.1, time_s
        self._newest_s = time_s
        return self._start_s + (time_s - self._first_s) / self._speed - now
