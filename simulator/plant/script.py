"""What a run consists of: the drive, the faults, the rig. Plain checked values."""

from dataclasses import dataclass
from enum import Enum
from math import inf

from rules.facts import Rig


class Do(Enum):
    """What the driver does in a step."""

    IDLE = "idle"
    CRUISE = "cruise"
    PULL = "pull"
    LIFT = "lift"


class FaultKind(Enum):
    """What can go wrong.

    PUMP_STOP: the pump loses its drive and coasts down.
    PUMP_FADE: a worn pump: its pressure falls by the share ``magnitude``, its supply is healthy.
    SUPPLY_LOW: the pump's supply loses the share ``magnitude`` of its voltage under load.
    CLOGGED_NOZZLE: the nozzles' conductance falls by the share ``magnitude``.
    SPLIT_BEFORE_SENSOR: the line leaks ahead of the flow sensor; of all openings the fluid leaves
        by, the share ``magnitude`` is the split (1: the line is off).
    SPLIT_AFTER_SENSOR: likewise behind the flow sensor, which counts what leaks.
    EMPTY_TANK: the rest of the fluid is gone; the pump draws air: ripple, then nothing.
    AIR: the share ``magnitude`` of what the pump draws is air, with fluid left in the tank.
    SIPHON: the check valve is worn: a manifold in vacuum draws fluid without a command, through
        the share ``magnitude`` of the nozzles' opening.
    VALVE_STUCK_OPEN: the spray valve stays open by at least the share ``magnitude``, whatever is
        commanded; deep vacuum draws fluid past the check valve.
    CONTROLLER_SILENT: the spray controller commands nothing, whatever boost calls for.
    WRONG_MIX: the share ``magnitude`` of the methanol is water instead.
    FLOW_SENSOR_STUCK: the flow reading freezes.
    FLOW_SENSOR_DRIFT: the flow reading falls short by the share ``magnitude``.
    FLOW_SENSOR_DEAD: the flow reading is nil.
    LINE_NOISE: in a share ``magnitude`` of samples one value is a spike, NaN or missing.
    """

    PUMP_STOP = "pump_stop"
    PUMP_FADE = "pump_fade"
    SUPPLY_LOW = "supply_low"
    CLOGGED_NOZZLE = "clogged_nozzle"
    SPLIT_BEFORE_SENSOR = "split_before_sensor"
    SPLIT_AFTER_SENSOR = "split_after_sensor"
    EMPTY_TANK = "empty_tank"
    AIR = "air"
    SIPHON = "siphon"
    VALVE_STUCK_OPEN = "valve_stuck_open"
    CONTROLLER_SILENT = "controller_silent"
    WRONG_MIX = "wrong_mix"
    FLOW_SENSOR_STUCK = "flow_sensor_stuck"
    FLOW_SENSOR_DRIFT = "flow_sensor_drift"
    FLOW_SENSOR_DEAD = "flow_sensor_dead"
    LINE_NOISE = "line_noise"


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the drive.

    Attributes:
        do: What the driver does.
        for_s: For how long, seconds.
        gear: 1 to 6; 0 keeps the gear.
        throttle_pct: Pedal in a pull or a cruise; NaN = full in a pull, speed held in a cruise.
    """

    do: Do
    for_s: float
    gear: int = 0
    throttle_pct: float = float("nan")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        kind: What goes wrong.
        at_s: Not before this time, seconds.
        above_boost_kpa: Nor before boost is above this, kPa gauge (-inf: no condition).
        magnitude: How bad, 0 to 1; the kind says of what.
        ramp_s: Time from onset to full magnitude, seconds.
        for_s: Time from onset until it is gone, seconds (infinite: it stays).
    """

    kind: FaultKind
    at_s: float
    above_boost_kpa: float = -inf
    magnitude: float = 1.0
    ramp_s: float = 0.0
    for_s: float = inf


@dataclass(frozen=True, slots=True)
class Scenario:
    """A scripted run.

    Attributes:
        name: Its name.
        teaches: What it teaches, in one sentence.
        rig: The car.
        drive: The driver's steps, at least one.
        faults: What goes wrong, possibly nothing.
        rate_hz: Samples a second.
        seed: Seed when the caller has none of its own.
        tank_ml: Fluid at the start (infinite: a full tank).
        peak_boost_kpa: Boost the engine is tuned to (NaN: the top of the rig's timing table).
        ambient_c: Air outside, degC.
    """

    name: str
    teaches: str
    rig: Rig
    drive: tuple[Step, ...]
    faults: tuple[Fault, ...] = ()
    rate_hz: float = 100.0
    seed: int = 1
    tank_ml: float = inf
    peak_boost_kpa: float = float("nan")
    ambient_c: float = 24.0

    @property
    def duration_s(self) -> float:
        """How long the drive lasts, seconds."""
        return sum(step.for_s for step in self.drive)
