"""When each fault is active, and how much of it."""

from dataclasses import dataclass, field
from math import inf
from typing import Final

from simulator.plant.script import Fault, FaultKind

_ON_THE_LINE: Final = (
    FaultKind.SPLIT_BEFORE_SENSOR,
    FaultKind.SPLIT_AFTER_SENSOR,
    FaultKind.SIPHON,
    FaultKind.VALVE_STUCK_OPEN,
)
_BESIDE_THE_FLOW: Final = (FaultKind.AIR, FaultKind.CONTROLLER_SILENT, FaultKind.WRONG_MIX)
_LINE_OFF: Final = 0.97  # of all openings: a line's bore is some thirty times the nozzles'


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
        supply_share: What is left of the pump's supply voltage under load, 0 to 1.
        nozzle_share: What is left of the nozzles' conductance, 0 to 1.
        split_before: Conductance of a split ahead of the flow sensor over the nozzles', >= 0.
        split_after: Likewise behind the flow sensor.
        air_share: How much of what the pump draws is air, 0 to 1.
        siphon_share: Opening through which vacuum draws fluid past a worn check valve, over the
            nozzles', 0 to 1.
        stuck_share: How far the spray valve is open whatever is commanded, 0 to 1.
        controller_silent: Whether the spray controller commands nothing.
        methanol_lost: Share of the methanol that is water instead, 0 to 1.
        tank_lost: Whether the fluid is gone.
        sensor_stuck: Whether the flow reading is frozen.
        sensor_share: What is left of the flow reading, 0 to 1.
        noise_share: Share of samples with a damaged value, 0 to 1.
        active: Names of the active faults, in the order of the scenario.
    """

    script: tuple[Fault, ...]
    pump_drive: bool = True
    pump_share: float = 1.0
    supply_share: float = 1.0
    nozzle_share: float = 1.0
    split_before: float = 0.0
    split_after: float = 0.0
    air_share: float = 0.0
    siphon_share: float = 0.0
    stuck_share: float = 0.0
    controller_silent: bool = False
    methanol_lost: float = 0.0
    tank_lost: bool = False
    sensor_stuck: bool = False
    sensor_share: float = 1.0
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
        self.pump_share = self.supply_share = self.nozzle_share = self.sensor_share = 1.0
        self.split_before = self.split_after = self.siphon_share = self.stuck_share = 0.0
        self.air_share = self.noise_share = self.methanol_lost = 0.0
        self.tank_lost = self.sensor_stuck = self.controller_silent = False
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
        if kind in _ON_THE_LINE:
            self._apply_to_line(kind, amount)
        elif kind in _BESIDE_THE_FLOW:
            self._apply_beside(kind, amount)
        elif kind is FaultKind.PUMP_STOP:
            self.pump_drive = False
        elif kind is FaultKind.PUMP_FADE:
            self.pump_share *= 1.0 - amount
        elif kind is FaultKind.SUPPLY_LOW:
            self.supply_share *= 1.0 - amount
        elif kind is FaultKind.CLOGGED_NOZZLE:
            self.nozzle_share *= 1.0 - amount
        elif kind is FaultKind.EMPTY_TANK:
            self.air_share = max(self.air_share, amount)
            self.tank_lost = True
        elif kind is FaultKind.FLOW_SENSOR_STUCK:
            self.sensor_stuck = True
        elif kind is FaultKind.FLOW_SENSOR_DRIFT:
            self.sensor_share *= 1.0 - amount
        elif kind is FaultKind.FLOW_SENSOR_DEAD:
            self.sensor_share = 0.0
        else:
            self.noise_share = max(self.noise_share, amount)

    def _apply_to_line(self, kind: FaultKind, amount: float) -> None:
        if kind is FaultKind.SPLIT_BEFORE_SENSOR:
            self.split_before += _opening(amount)
        elif kind is FaultKind.SPLIT_AFTER_SENSOR:
            self.split_after += _opening(amount)
        elif kind is FaultKind.SIPHON:
            self.siphon_share = max(self.siphon_share, amount)
        else:
            self.stuck_share = max(self.stuck_share, amount)

    def _apply_beside(self, kind: FaultKind, amount: float) -> None:
        if kind is FaultKind.AIR:
            self.air_share = max(self.air_share, amount)
        elif kind is FaultKind.CONTROLLER_SILENT:
            self.controller_silent = True
        else:
            self.methanol_lost = max(self.methanol_lost, amount)


def _opening(amount: float) -> float:
    """Return a split's conductance over the nozzles', from its share of all openings (0 to 1)."""
    amount = min(amount, _LINE_OFF)
    return amount / (1.0 - amount)
