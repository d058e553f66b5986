"""When each fault is active, and how much of it."""

from dataclasses import dataclass, field
from math import inf

from simulator.plant.script import Fault, FaultKind


@dataclass(slots=True)
class _Running:
    fault: Fault
    onset_s: float = inf


@dataclass(slots=True)
class Faults:
    """The faults of a run; each attribute is what they do at this moment.

    Attributes:
        pump_drive: False once the pump has lost its drive.
        pump_share: What is left of the pump's pressure, 0 to 1.
        nozzle_share: What is left of the nozzles' conductance, 0 to 1.
        air_share: How much of what the pump draws is air, 0 to 1.
        tank_lost: Whether the fluid is gone.
        sensor_stuck: Whether the flow reading is frozen.
        noise_share: Share of samples with a damaged value, 0 to 1.
        active: Names of the active faults, in the order of the scenario.
    """

    script: tuple[Fault, ...]
    pump_drive: bool = True
    pump_share: float = 1.0
    nozzle_share: float = 1.0
    air_share: float = 0.0
    tank_lost: bool = False
    sensor_stuck: bool = False
    noise_share: float = 0.0
    active: tuple[str, ...] = ()
    _running: list[_Running] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._running = [_Running(fault) for fault in self.script]

    def update(self, now_s: float, boost_kpa: float) -> None:
        """Bring every attribute to this moment.

        Args:
            now_s: Time since the start, seconds.
            boost_kpa: True boost, kPa gauge.
        """
        if not self._running:
            return
        self.pump_drive = True
        self.pump_share = self.nozzle_share = 1.0
        self.air_share = self.noise_share = 0.0
        self.tank_lost = self.sensor_stuck = False
        active: list[str] = []
        for running in self._running:
            fault = running.fault
            if running.onset_s == inf and now_s >= fault.at_s and boost_kpa > fault.above_boost_kpa:
                running.onset_s = now_s
            since_s = now_s - running.onset_s
            if 0.0 <= since_s < fault.for_s:
                ramped = 1.0 if since_s >= fault.ramp_s else since_s / fault.ramp_s
                self._apply(fault.kind, fault.magnitude * ramped)
                active.append(fault.kind.value)
        self.active = tuple(active)

    def _apply(self, kind: FaultKind, amount: float) -> None:
        if kind is FaultKind.PUMP_STOP:
            self.pump_drive = False
        elif kind is FaultKind.PUMP_FADE:
            self.pump_share *= 1.0 - amount
        elif kind is FaultKind.CLOGGED_NOZZLE:
            self.nozzle_share *= 1.0 - amount
        elif kind is FaultKind.EMPTY_TANK:
            self.air_share = max(self.air_share, amount)
            self.tank_lost = True
        elif kind is FaultKind.FLOW_SENSOR_STUCK:
            self.sensor_stuck = True
        else:
            self.noise_share = max(self.noise_share, amount)
