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
    """What can go wrong. ``magnitude`` says how bad, as a share; 1 where a kind ignores it.

    In the spray system:
        PUMP_STOP: the pump loses its drive and coasts down.
        PUMP_FADE: a worn pump: the share ``magnitude`` of its pressure is gone, its supply healthy.
        SUPPLY_LOW: the pump's supply loses the share ``magnitude`` of its voltage under load.
        CLOGGED_NOZZLE: the nozzles' conductance falls by the share ``magnitude``.
        SPLIT_BEFORE_SENSOR: the line leaks ahead of the flow sensor; of all openings the fluid
            leaves by, the share ``magnitude`` is the split (1: the line is off).
        SPLIT_AFTER_SENSOR: likewise behind the flow sensor, which counts what leaks.
        EMPTY_TANK: the tank bursts and what is left runs out within a second or two.
        AIR: the share ``magnitude`` of what the pump draws is air, with fluid left in the tank.
        SIPHON: the check valve is worn: a manifold in vacuum draws fluid without a command, through
            the share ``magnitude`` of the nozzles' opening.
        VALVE_STUCK_OPEN: the spray valve stays open by at least the share ``magnitude``.
        VALVE_STUCK_SHUT: the spray valve opens by the share ``magnitude`` less than it should.
        REGULATOR_STUCK: the bypass opens at a pressure lower by the share ``magnitude``.
        WRONG_MIX: the share ``magnitude`` of the methanol is water instead.
        CONTROLLER_SILENT: the spray controller commands nothing, whatever boost calls for.
    In the engine and its controller:
        RETARD_IGNORED: the share ``magnitude`` of the retard asked for is not done.
        CUT_IGNORED: a boost ceiling asked for is not done.
        ORDERS_LATE: orders are done later by ``magnitude`` times one second.
        OVERBOOST: the boost aimed at is higher by the share ``magnitude``.
        COOLER_BLOCKED: the intercooler loses the share ``magnitude`` of its wind.
        PETROL_SHORT: the share ``magnitude`` of the petrol is missing.
    In a sensor (``channel``; the flow sensor where none is named):
        SENSOR_STUCK: the reading freezes.
        SENSOR_SHORT: shorted to ground: the reading goes to the bottom of its range, that of a
            thermistor to its top.
        SENSOR_OPEN: an open wire: pressure, level and pedal read their top, thermistors cold,
            pulses and all else nothing.
        SENSOR_OFFSET: the reading is higher by the share ``magnitude`` of its span (may be < 0).
        SENSOR_GAIN: the reading is higher by the share ``magnitude`` of itself (may be < 0).
        SENSOR_DRIFT: as SENSOR_OFFSET, growing from nil by ``magnitude`` each minute.
        SENSOR_NOISE: noise with a standard deviation of ``magnitude`` of the span.
        SENSOR_SPIKES: in a share ``magnitude`` of samples the reading is anywhere in its range.
        SENSOR_OSCILLATION: a swing at 3 Hz of amplitude ``magnitude`` of the span.
        SENSOR_INTERMITTENT: a loose joint: for the share ``magnitude`` of each 0.4 s, nothing.
    On the way to the guard:
        WIRE_NOISE: in a share ``magnitude`` of samples one value is a spike, NaN or missing.
        MESSAGES_LOST: the share ``magnitude`` of samples is lost.
        MESSAGES_LATE: samples come later by ``magnitude`` times half a second.
        MESSAGES_REPEATED: the share ``magnitude`` of samples comes twice.
        MESSAGES_INSERTED: after a share ``magnitude`` of samples an old one comes again as new.
        MESSAGES_DISORDERED: a share ``magnitude`` of samples comes after its successor.
        CLOCK_STEP: the logger's clock steps ahead by ``magnitude`` times ten seconds (or back).
        SECOND_SENDER: another logger, of a parked car, talks in between.
        UNPLUGGED: nothing comes any more.
        LOG_CUT: the log ends here.
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
    VALVE_STUCK_SHUT = "valve_stuck_shut"
    REGULATOR_STUCK = "regulator_stuck"
    WRONG_MIX = "wrong_mix"
    CONTROLLER_SILENT = "controller_silent"
    RETARD_IGNORED = "retard_ignored"
    CUT_IGNORED = "cut_ignored"
    ORDERS_LATE = "orders_late"
    OVERBOOST = "overboost"
    COOLER_BLOCKED = "cooler_blocked"
    PETROL_SHORT = "petrol_short"
    SENSOR_STUCK = "sensor_stuck"
    SENSOR_SHORT = "sensor_short"
    SENSOR_OPEN = "sensor_open"
    SENSOR_OFFSET = "sensor_offset"
    SENSOR_GAIN = "sensor_gain"
    SENSOR_DRIFT = "sensor_drift"
    SENSOR_NOISE = "sensor_noise"
    SENSOR_SPIKES = "sensor_spikes"
    SENSOR_OSCILLATION = "sensor_oscillation"
    SENSOR_INTERMITTENT = "sensor_intermittent"
    WIRE_NOISE = "wire_noise"
    MESSAGES_LOST = "messages_lost"
    MESSAGES_LATE = "messages_late"
    MESSAGES_REPEATED = "messages_repeated"
    MESSAGES_INSERTED = "messages_inserted"
    MESSAGES_DISORDERED = "messages_disordered"
    CLOCK_STEP = "clock_step"
    SECOND_SENDER = "second_sender"
    UNPLUGGED = "unplugged"
    LOG_CUT = "log_cut"


KINDS = tuple(FaultKind)
SENSOR_KINDS = frozenset(kind for kind in FaultKind if kind.value.startswith("sensor_"))
SIGNED_KINDS = frozenset(
    {
        FaultKind.SENSOR_OFFSET,
        FaultKind.SENSOR_GAIN,
        FaultKind.SENSOR_DRIFT,
        FaultKind.CLOCK_STEP,
    }
)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the drive.

    Attributes:
        do: What the driver does.
        for_s: For how long, seconds.
        gear: 1 to 8; 0 keeps the gear.
        throttle_pct: Pedal in a pull or a cruise; NaN = full in a pull, speed held in a cruise.
    """

    do: Do
    for_s: float
    gear: int = 0
    throttle_pct: float = float("nan")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. It begins when all its conditions hold for the first time, and then runs its time.

    Attributes:
        kind: What goes wrong.
        at_s: Not before this time, seconds.
        above_boost_kpa: Nor before boost is above this, kPa gauge (-inf: no condition).
        magnitude: How bad; the kind says of what. 0 to 1, or -1 to 1 where a sign makes sense.
        ramp_s: Time from onset to full magnitude, seconds.
        for_s: Time from onset until it is gone, seconds (infinite: it stays).
        channel: The sensor's channel, for faults of a sensor ("": the flow sensor).
        below_boost_kpa: Nor before boost is below this (inf: no condition).
        above_speed_rpm: Nor before engine speed is above this (-inf: no condition).
        gear: Nor in another gear than this (0: any).
    """

    kind: FaultKind
    at_s: float
    above_boost_kpa: float = -inf
    magnitude: float = 1.0
    ramp_s: float = 0.0
    for_s: float = inf
    channel: str = ""
    below_boost_kpa: float = inf
    above_speed_rpm: float = -inf
    gear: int = 0


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
