"""What a run consists of: the drive, the faults, the rig. Plain checked values."""

from dataclasses import dataclass
from enum import Enum, IntEnum
from math import inf

from rules.facts import Rig


class Do(Enum):
    """What the driver does in a step."""

    IDLE = "idle"
    CRUISE = "cruise"
    PULL = "pull"
    LIFT = "lift"


class FaultKind(IntEnum):
    """What can go wrong; the remark says what, and what ``magnitude`` is a share of.

    A kind that says nothing of a magnitude takes no notice of it.
    """

    # In the spray system.
    PUMP_STOP = 0  # the pump loses its drive and coasts down
    PUMP_FADE = 1  # a worn pump: the share magnitude of its pressure is gone, its supply healthy
    SUPPLY_LOW = 2  # the pump's supply loses the share magnitude of its voltage under load
    CLOGGED_NOZZLE = 3  # the nozzles' conductance falls by the share magnitude
    # The line leaks ahead of the flow sensor; of all openings the fluid leaves by, the share
    # magnitude is the split (1: the line is off).
    SPLIT_BEFORE_SENSOR = 4
    SPLIT_AFTER_SENSOR = 5  # likewise behind the flow sensor, which counts what leaks
    EMPTY_TANK = 6  # the tank bursts and what is left runs out within a second or two
    AIR = 7  # the share magnitude of what the pump draws is air, with fluid left in the tank
    # The check valve is worn: a manifold in vacuum draws fluid without a command, through the
    # share magnitude of the nozzles' opening.
    SIPHON = 8
    VALVE_STUCK_OPEN = 9  # the spray valve stays open by at least the share magnitude
    VALVE_STUCK_SHUT = 10  # the spray valve opens by the share magnitude less than it should
    REGULATOR_STUCK = 11  # the bypass opens at a pressure lower by the share magnitude
    WRONG_MIX = 12  # the share magnitude of the methanol is water instead
    CONTROLLER_SILENT = 13  # the spray controller commands nothing, whatever boost calls for

    # In the engine and its controller.
    RETARD_IGNORED = 14  # the share magnitude of the retard asked for is not done
    CUT_IGNORED = 15  # a boost ceiling asked for is not done
    ORDERS_LATE = 16  # orders are done later by magnitude times one second
    OVERBOOST = 17  # the boost aimed at is higher by the share magnitude
    COOLER_BLOCKED = 18  # the intercooler loses the share magnitude of its wind
    PETROL_SHORT = 19  # the share magnitude of the petrol is missing

    # In a sensor (``channel``; the flow sensor where none is named).
    SENSOR_STUCK = 20  # the reading freezes
    # Shorted to ground: the reading goes to the bottom of its range, a thermistor's to its top.
    SENSOR_SHORT = 21
    # An open wire: pressure, level and pedal read their top, thermistors cold, pulses and all
    # else nothing.
    SENSOR_OPEN = 22
    SENSOR_OFFSET = 23  # the reading is higher by the share magnitude of its span (may be < 0)
    SENSOR_GAIN = 24  # the reading is higher by the share magnitude of itself (may be < 0)
    SENSOR_DRIFT = 25  # as SENSOR_OFFSET, growing from nil by magnitude each minute
    SENSOR_NOISE = 26  # noise with a standard deviation of magnitude of the span
    SENSOR_SPIKES = 27  # in a share magnitude of samples the reading is anywhere in its range
    SENSOR_OSCILLATION = 28  # a swing at 3 Hz of amplitude magnitude of the span
    SENSOR_INTERMITTENT = 29  # a loose joint: for the share magnitude of each 0.4 s, nothing

    # On the way to the guard.
    WIRE_NOISE = 30  # in a share magnitude of samples one value is a spike, NaN or missing
    MESSAGES_LOST = 31  # the share magnitude of samples is lost
    MESSAGES_LATE = 32  # samples come later by magnitude times half a second
    MESSAGES_REPEATED = 33  # the share magnitude of samples comes twice
    MESSAGES_INSERTED = 34  # after a share magnitude of samples an old one comes again as new
    MESSAGES_DISORDERED = 35  # a share magnitude of samples comes after its successor
    CLOCK_STEP = 36  # the logger's clock steps ahead by magnitude times ten seconds (or back)
    SECOND_SENDER = 37  # another logger, of a parked car, talks in between
    UNPLUGGED = 38  # nothing comes any more
    LOG_CUT = 39  # the log ends here

    @property
    def word(self) -> str:
        """The kind's name in files and on wires."""
        return self.name.lower()

    @property
    def of_a_sensor(self) -> bool:
        """Whether it happens in a sensor, the flow sensor where no channel is named."""
        return FaultKind.SENSOR_STUCK <= self < FaultKind.WIRE_NOISE

    @property
    def least(self) -> float:
        """The least magnitude: -1 where the reading, or the clock, may go either way, else 0."""
        return -1.0 if self in _SIGNED else 0.0


_SIGNED = (
    FaultKind.SENSOR_OFFSET,
    FaultKind.SENSOR_GAIN,
    FaultKind.SENSOR_DRIFT,
    FaultKind.CLOCK_STEP,
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
    at_s: float = 0.0
    above_boost_kpa: float = -inf
    magnitude: float = 1.0
    ramp_s: float = 0.0
    for_s: float = inf
    channel: str = ""
    below_boost_kpa: float = inf
    above_speed_rpm: float = -inf
    gear: int = 0


@dataclass(frozen=True, slots=True)
class Spread:
    """What one car is, where its rig tells of a kind of car.

    Attributes:
        delay_s: From a step of the command until the flow reading moves, seconds, >= 0.
        lag_s: From there to 63 % of the step, seconds, >= 0.
        gain: Share by which the flow reading is too high, > -1.
        noise: Standard deviation of a flow reading, as a share of it.
        octane: Of its petrol, research octane number; NaN: as the rig says. The tune knows nothing
            of it.
        pump_wear: Share of its pump's pressure that is gone, 0 to less than 1; nor of that.
        line_gain: Share by which the line's pressure reads too high, > -1.
    """

    delay_s: float
    lag_s: float
    gain: float
    noise: float
    octane: float = float("nan")
    pump_wear: float = 0.0
    line_gain: float = 0.0


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
        spread: This very car; None: the seed's.
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
    spread: Spread | None = None

    @property
    def duration_s(self) -> float:
        """How long the drive lasts, seconds."""
        return sum(step.for_s for step in self.drive)
