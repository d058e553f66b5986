"""How the cars of a proof differ: from which spread each property of a run is drawn."""

from dataclasses import dataclass, fields, replace
from math import inf, isnan, nan, sqrt
from typing import Any, ClassVar, Final, NamedTuple, Self

from rules.facts import Rig
from simulator.coverage.matrix import evaluation_seed
from simulator.plant import Spread
from simulator.plant.noise import generator
from simulator.rig.tables import Key, table
from simulator.strict import Decoded, DegC, Hertz, Mismatch, Percent, Quantity, Seconds

MOST_RUNS: Final = 100_000  # cars of one set
MOST_SETS: Final = 20_000
_STREAM: Final = 3  # of a seed; the plant has those below
# A rig's gain tolerance is the sensor's and the hydraulics': half is left to the latter, in which
# plant and rules differ by themselves.
_OF_GAIN: Final = 0.5
# A valve that shuts and a meter's pulses are no delay and lag: what a fit calls a delay is the mean
# of an end of spray, which shows 10 to 17 ms sooner, and of onsets, which show later. The rig's
# tolerance has to hold these, too.
_OF_DELAY: Final = 0.6
_OF_NOISE: Final = 0.8  # a rig states the noisiest sensor it allows for
_AMBIENT_C: Final = (5.0, 18.0, 30.0)
_OCTANE_OFF: Final = 1.0


class Range(Decoded):
    """A distribution between two bounds.

    In a file: one value (no spread), two (each as likely as another), or three (the least, the
    likeliest and the most: triangular).

    Args:
        least: The least value.
        most: The most.
        likeliest: The likeliest; NaN: all are alike.
    """

    OF: ClassVar[type[Decoded]] = Quantity
    TIMES: ClassVar[float] = 1.0
    LOW: ClassVar[float] = -inf
    HIGH: ClassVar[float] = inf

    def __init__(self, least: float, most: float, likeliest: float = nan) -> None:
        self.least = least
        self.most = most
        self.likeliest = likeliest

    def __repr__(self) -> str:
        return f"Range({self.least}, {self.most}, {self.likeliest})"

    def __reduce__(
        self,
    ) -> tuple[type["Range"], tuple[float, float, float]]:  # of whatever quantity
        return Range, (self.least, self.most, self.likeliest)

    @classmethod
    def of(cls, quantity: type[Decoded], low: float, high: float, times: float = 1.0) -> type[Self]:
        """Return the range of a quantity, which may be ``low`` to ``high`` once taken ``times``."""
        given = {"OF": quantity, "LOW": low, "HIGH": high, "TIMES": times}
        return type(cls.__name__, (cls,), given)

    @classmethod
    def wanted(cls) -> str:
        """Say what may be written."""
        return (
            "one value, a list of two (least, most) or of three (least, likeliest, most), "
            f"each {cls.OF.wanted()}"
        )

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the range.

        Raises:
            Mismatch: No such value or list, not in order, or out of range.
        """
        items = value if isinstance(value, list) else [value]
        if not 1 <= len(items) <= 3:
            raise Mismatch(cls.wanted())
        read: Any = [cls.OF.from_toml(item) for item in items]
        numbers = [float(item) * cls.TIMES for item in read]
        if numbers != sorted(numbers):
            raise Mismatch("values in rising order")
        if numbers[0] < cls.LOW or numbers[-1] > cls.HIGH:
            low, high = cls.LOW / cls.TIMES, cls.HIGH / cls.TIMES
            raise Mismatch(f"{low:zg} to {high:zg}")
        return cls(numbers[0], numbers[-1], numbers[1] if len(numbers) == 3 else nan)

    @property
    def ends(self) -> tuple[float, float]:
        """The least and the most."""
        return self.least, self.most

    def at(self, share: float) -> float:
        """Return the value that so great a share (0 to 1) of all values is below."""
        width = self.most - self.least
        if width <= 0.0:
            return self.least
        if isnan(self.likeliest):
            return self.least + share * width
        rising = self.likeliest - self.least
        if share * width < rising:
            return self.least + sqrt(share * width * rising)
        return self.most - sqrt((1.0 - share) * width * (self.most - self.likeliest))


class _Octane(Decoded, float):
    """A research octane number."""

    EXPECTED = "a research octane number, 80 to 110"

    @classmethod
    def from_toml(cls, value: object) -> Self:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise Mismatch(cls.EXPECTED)
        return cls(value)


@dataclass(frozen=True, slots=True)
class Population:
    """From what each car of a proof is drawn. None: as the rig makes it likely (``filled``).

    Attributes:
        delay_s: Of the flow sensor, as ``rules.facts.FlowSensor`` has it.
        lag_s: Its lag.
        gain: Share by which it reads too high.
        noise: Its noise, as a share of the reading.
        rate_hz: Samples a second.
        ambient_c: Air outside.
        octane: Research octane number of the petrol.
        pump_wear: Share of the pump's pressure that is gone.
        line_gain: Share by which the line's pressure reads too high.
    """

    delay_s: Range | None = None
    lag_s: Range | None = None
    gain: Range | None = None
    noise: Range | None = None
    rate_hz: Range | None = None
    ambient_c: Range | None = None
    octane: Range | None = None
    pump_wear: Range | None = None
    line_gain: Range | None = None


AMBIENT: Final = Range.of(DegC, -30.0, 60.0)
POPULATION: Final = table(
    Population,
    Key("transport_delay", Range.of(Seconds, 0.0, 1.0), "delay_s"),
    Key("lag", Range.of(Seconds, 0.0, 5.0), "lag_s"),
    Key("gain", Range.of(Percent, -0.5, 0.5, 0.01)),
    Key("noise", Range.of(Percent, 0.0, 0.5, 0.01)),
    Key("rate", Range.of(Hertz, 5.0, 1000.0), "rate_hz"),
    Key("ambient", AMBIENT, "ambient_c"),
    Key("petrol_octane", Range.of(_Octane, 80.0, 110.0), "octane"),
    Key("pump_wear", Range.of(Percent, 0.0, 0.9, 0.01)),
    Key("line_gain", Range.of(Percent, -0.5, 0.5, 0.01)),
)
"""A requirements file's ``[population]``."""


class Drawn(NamedTuple):
    """One car and its day.

    Attributes:
        number: Its number in its set.
        seed: Of its run.
        spread: What it is.
        rate_hz: Samples a second.
        ambient_c: Air outside.
        later: When the fault begins, from 0 (as soon as it may) up to 1.
    """

    number: int
    seed: int
    spread: Spread
    rate_hz: float
    ambient_c: float
    later: float


def filled(population: Population, rig: Rig, period_s: float) -> Population:
    """Return the population with every gap filled by what the car's rig makes likely.

    Args:
        population: As it was written.
        rig: The car's rig.
        period_s: From one row to the next, by the rig file.
    """
    sensor, octane = rig.flow_sensor, rig.engine.petrol_octane
    gain = _OF_GAIN * sensor.gain_within
    logged = any(channel.name == "line_kpa" for channel in rig.channels)
    line_gain = _OF_GAIN * rig.line_sensor.gain_within if logged else 0.0
    likely = {
        "delay_s": _about(sensor.delay_s, _OF_DELAY * sensor.delay_within_s),
        "lag_s": _about(sensor.lag_s, sensor.lag_within_s),
        "gain": Range(-gain, gain),
        "noise": Range(_OF_NOISE * sensor.noise, sensor.noise),
        "rate_hz": Range(*[min(max(1.0 / period_s, 5.0), 1000.0)] * 2),
        "ambient_c": Range(_AMBIENT_C[0], _AMBIENT_C[2], _AMBIENT_C[1]),
        "octane": Range(octane - _OCTANE_OFF, octane),
        "pump_wear": Range(0.0, 0.0),
        "line_gain": Range(-line_gain, line_gain),
    }
    gaps = {name: value for name, value in likely.items() if getattr(population, name) is None}
    return replace(population, **gaps)


def draw(population: Population, number: int, seed_set: int = 0) -> Drawn:
    """Return one car: the same for the same population, number and set, whatever else is drawn.

    Args:
        population: Filled.
        number: Which car, 0 to ``MOST_RUNS`` - 1.
        seed_set: Which set of cars; sets do not overlap. Below nil: set ``~seed_set`` of those to
            choose by, none of whom judges.

    Raises:
        ValueError: The number is out of range, or a range is missing.
    """
    if not 0 <= number < MOST_RUNS:
        raise ValueError(f"number: found {number}, expected 0 to {MOST_RUNS - 1}")
    of_set = max(seed_set, ~seed_set) * MOST_RUNS + number
    seed = of_set if seed_set < 0 else evaluation_seed(of_set)
    names = [field.name for field in fields(population)]
    *shares, later = generator(seed, _STREAM).random(len(names) + 1).tolist()
    values = {}
    for name, share in zip(names, shares, strict=True):
        found: Range | None = getattr(population, name)
        if found is None:
            raise ValueError(f"{name}: found no range, expected a filled population")
        values[name] = found.at(share)
    rate_hz, ambient_c = values.pop("rate_hz"), values.pop("ambient_c")
    return Drawn(number, seed, Spread(**values), rate_hz, ambient_c, later)


def _about(middle: float, within: float) -> Range:
    return Range(max(middle - within, 0.0), middle + within)
