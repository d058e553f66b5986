"""The simulated car as a source: a closed loop, paced like a real one."""

from collections.abc import Generator

from monitor.clock import now_ns, now_s
from monitor.source_facts import SourceKind
from monitor.sources.base import Arrival, Item, Notice
from monitor.sources.paced import PacedSource
from rules.step.state import Decision
from simulator.plant import Car, Scenario

YIELD_EVERY = 64


class SimulatedSource(PacedSource):
    """A car on its scenario's drive, which takes what is decided and changes with it.

    Args:
        scenario: The drive.
        seed: Overrides the scenario's own.
        speed: 1 is real time; infinite is as fast as possible.
    """

    kind = SourceKind.SIMULATED

    def __init__(self, scenario: Scenario, *, seed: int | None = None, speed: float = 1.0) -> None:
        super().__init__(f"simulated car, {scenario.name}")
        self._car = Car(scenario.rig, scenario, scenario.seed if seed is None else seed)
        self._period_s = 1.0 / (scenario.rate_hz * speed)
        self._start_s = 0.0
        self._retard_deg = 0.0
        self._ceiling_kpa = float("inf")

    async def open(self) -> None:
        """Start the drive."""
        self._start_s = now_s()

    def _items(self) -> Generator[Item | float, None, None]:
        yield Notice("connected", f"{self.name}: it obeys what is decided")
        while not self._car.finished:
            wait_s = self._start_s + self._car.count * self._period_s - now_s()
            if wait_s > 0.0 or self._car.count % YIELD_EVERY == 0:
                yield wait_s
            # Silence is told in the car's own time, whatever the speed. A sample that is lost on
            # the way gives no row.
            for row in self._car.step(self._retard_deg, self._ceiling_kpa, ticks=True):
                self.statistics.received += 1
                self.statistics.decoded += 1
                yield Arrival(row, now_ns())

    def react(self, decision: Decision) -> None:
        """Let the engine controller take what was decided."""
        self._retard_deg = decision.retard_deg
        self._ceiling_kpa = decision.boost_ceiling_kpa
