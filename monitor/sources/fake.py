"""A source that plays a script, for tests of whatever reads a source."""

import asyncio
from collections import deque
from collections.abc import Iterable
from enum import Enum
from typing import Final

from monitor.clock import now_ns
from monitor.source_facts import SourceKind
from monitor.sources.base import Arrival, Item, Notice, Source
from rules.channels import Sample, is_time
from rules.step.state import Decision


class Hold(Enum):
    """In a script: say nothing until ``FakeSource.release`` is called (or the source closed)."""

    HOLD = "hold"


HOLD: Final = Hold.HOLD
LONGEST_STEP_S: Final = 10.0
_LONG_AGO_NS: Final = 3600 * 10**9  # so that no script, whatever it covers, arrives tomorrow
Step = Sample | Arrival | Notice | Exception | Hold


class FakeSource(Source):
    """Hands over what a script says.

    Args:
        script: A sample arrives as its time says, an arrival as it says itself; a notice is handed
            over, an exception is raised, ``HOLD`` waits.
            "connected" comes first by itself.
        ends: Whether iteration ends behind the script; otherwise it waits to be closed.
        kind: See ``Source``.

    Attributes:
        reactions: Every decision taken, in order.
    """

    def __init__(
        self,
        script: Iterable[Step] = (),
        *,
        ends: bool = True,
        kind: SourceKind = SourceKind.LIVE,
    ) -> None:
        super().__init__("fake")
        self.kind = kind
        self.reactions: list[Decision] = []
        self._script: deque[Step] = deque([Notice("connected", "fake"), *script])
        self._ends = ends
        self._closed = False
        self._releases = 0
        self._wake = asyncio.Event()
        self._arrival_ns = now_ns() - _LONG_AGO_NS
        self._newest_s: float | None = None

    async def open(self) -> None:
        """Count as connected."""
        self.statistics.connects += 1

    def close(self) -> None:
        """End."""
        self._closed = True
        self._wake.set()

    async def __anext__(self) -> Item:
        """Return the next item of the script.

        Raises:
            Exception: Whatever the script says.
        """
        while not self._closed:
            if not self._script:
                if self._ends:
                    break
                await self._woken()
                continue
            step = self._script.popleft()
            if isinstance(step, Exception):
                raise step
            if isinstance(step, Notice):
                return step
            if isinstance(step, Hold):
                while not self._releases and not self._closed:
                    await self._woken()
                self._releases -= 1
                continue
            self.statistics.received += 1
            self.statistics.decoded += 1
            return step if isinstance(step, Arrival) else self._arriving(step)
        raise StopAsyncIteration

    def react(self, decision: Decision) -> None:
        """Remember the decision."""
        self.reactions.append(decision)

    def release(self) -> None:
        """Let one ``HOLD`` go, the one under way or the next to come (on the loop)."""
        self._releases += 1
        self._wake.set()

    def _arriving(self, sample: Sample) -> Arrival:
        # A script is played at no pace of its own.
        time_s = sample.time_s
        if is_time(time_s):
            step_s = time_s - (time_s if self._newest_s is None else self._newest_s)
            self._newest_s = time_s
            self._arrival_ns += round(min(max(step_s, 0.0), LONGEST_STEP_S) * 1e9)
        return Arrival(sample, self._arrival_ns)

    async def _woken(self) -> None:
        self._wake.clear()
        await self._wake.wait()
