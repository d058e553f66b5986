"""The simulated car as a source: a closed loop, paced like a real one."""

from collections import deque
from types import TracebackType
from typing import Self

from monitor.clock import now_ns, now_s
from monitor.source_facts import SourceKind, SourceStatistics
from monitor.sources.base import Arrival, Notice
from monitor.sources.pause import Pause
from rules.channels import Sample
from rules.step.state import Decision
from simulator.plant import Car, Scenario


class SimulatedSource:
    """A car on its scenario's drive, which hears what is decided and changes with it.

    Args:
        scenario: The drive.
        seed: Overrides the scenario's own.
        speed: 1 is real time; infinite is as fast as possible.
    """

    kind = SourceKind.SIMULATED

    def __init__(self, scenario: Scenario, *, seed: int | None = None, speed: float = 1.0) -> None:
        self.name = f"simulated car, {scenario.name}"
        self.statistics = SourceStatistics(connects=1)
        self._car = Car(scenario.rig, scenario, scenario.seed if seed is None else seed)
        self._period_s = 1.0 / (scenario.rate_hz * speed)
        self._start_s = 0.0
        self._told = False
        self._rows: deque[Sample] = deque()
        self._pause = Pause()
        self._retard_deg = 0.0
        self._ceiling_kpa = float("inf")

    async def __aenter__(self) -> Self:
        """Start the drive."""
        self._start_s = now_s()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop it."""
        self._pause.close()

    def __aiter__(self) -> Self:
        """Return itself."""
        return self

    async def __anext__(self) -> Arrival | Notice:
        """Return the next sample when it is due."""
        if not self._told:
            self._told = True
            return Notice("connected", f"{self.name}: it obeys what is decided")
        while not self._rows:  # a sample that is lost on the way gives none
            if self._pause.closed or self._car.finished:
                raise StopAsyncIteration
            wait_s = self._start_s + self._car.count * self._period_s - now_s()
            late = wait_s <= 0.0 and self._car.count % 64 != 0
            if not late and not await self._pause.wait(wait_s):
                raise StopAsyncIteration
            # Silence is told in the car's own time, whatever the speed.
            rows = self._car.step(self._retard_deg, self._ceiling_kpa, ticks=True)
            self._rows.extend(rows)
        self.statistics.received += 1
        self.statistics.decoded += 1
        return Arrival(self._rows.popleft(), now_ns())

    def react(self, decision: Decision) -> None:
        """Let the engine controller hear what was decided."""
        self._retard_deg = decision.retard_deg
        self._ceiling_kpa = decision.boost_ceiling_kpa
