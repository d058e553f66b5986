"""Values that read themselves from a raw TOML value: text, and quantities with a unit."""

import difflib
import re
from functools import lru_cache
from typing import Any, ClassVar, Final, Self

from simulator.strict.text import Mismatch, clean, show

# What may be written, by kind. A closed list, since pint alone would read "26 mPa" as 0.000026 kPa,
# take "12 deg" for a percentage and mistake F for farad. Values are pint's name where it differs.
UNITS: Final[dict[str, dict[str, str]]] = {
    "pressure": dict.fromkeys(("kPa", "psi", "bar", "mbar", "hPa", "MPa", "inHg", "mmHg"), ""),
    "temperature": {"degC": "", "degF": "", "K": "", "°C": "degC", "°F": "degF"},
    "flow": {
        **dict.fromkeys(("mL/min", "ml/min", "cc/min", "L/min", "l/min", "L/h", "l/h"), ""),
        **dict.fromkeys(("mL/s", "ml/s", "gal/h", "gal/min"), ""),  # US gallons
    },
    "volume": dict.fromkeys(("mL", "ml", "cc", "L", "l", "gal", "qt", "floz"), ""),  # US measures
    "mass": dict.fromkeys(("kg", "g", "lb", "oz"), ""),
    "time": dict.fromkeys(("s", "ms", "us", "µs", "min", "h"), ""),
    "voltage": dict.fromkeys(("V", "mV"), ""),
    "percentage": {"%": "percent", "percent": "", "1": "dimensionless"},
    "angle": {"deg": "", "°": "deg"},
    "rotation": {"rpm": "", "1/min": "rpm", "rev/min": "rpm"},
    "speed": {"km/h": "", "kph": "km/h", "mph": "", "m/s": ""},
    "torque": {
        **dict.fromkeys(("N m", "Nm"), "N*m"),
        **dict.fromkeys(("lb ft", "lbft", "lb-ft", "ft lb", "ftlb", "ft-lb"), "lbf*ft"),
    },
    # hp is 550 ft lbf/s, PS 75 kgf m/s.
    "power": {"kW": "", "W": "", "hp": "", "PS": "metric_horsepower"},
    "plain": {"": "dimensionless", "1": "dimensionless"},
    # Retard in degrees, or whatever intensity the sensor gives: numbers pass as they are.
    "knock": {"deg": "", "V": "deg", "count": "deg"},
}
_QUANTITY: Final = re.compile(r"([+-]?[0-9]{1,12}(?:\.[0-9]{1,12})?(?:[eE][+-]?[0-9]{1,2})?) *(.*)")
_DECIMAL_COMMA: Final = re.compile(r"([+-]?[0-9]{1,12}),([0-9]{1,12})(?![0-9.,])")
# How people write it, where the nearest spelling would mislead.
_HINTS: Final = {"c": "degC", "f": "degF", "kelvin": "K", "sec": "s", "gph": "gal/h", "v": "V"}


def _a(noun: str) -> str:
    return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"


def _kind_of(unit: str) -> str | None:
    return next((kind for kind, units in UNITS.items() if unit and unit in units), None)


@lru_cache(maxsize=1)
def _registry() -> Any:
    # Late: pint costs 0.17 s to import and its full registry 0.12 s; --help needs neither.
    import pint

    return pint.UnitRegistry()


@lru_cache(maxsize=256)
def _linear(source: str, target: str) -> tuple[float, float]:
    """Return factor and offset with ``target_value = source_value * factor + offset``."""
    if source == target:
        return 1.0, 0.0
    registry = _registry()
    unit_from, unit_to = registry.parse_units(source), registry.parse_units(target)
    if registry.Quantity(1.0, unit_from).check("[temperature]"):
        kelvins = {"degC": 1.0, "K": 1.0}
        for name in (source, target):
            if name not in kelvins:
                kelvins[name] = registry.Quantity(1.0, f"delta_{name}").to("kelvin").magnitude
        factor = kelvins[source] / kelvins[target]
        offset = registry.Quantity(0.0, unit_from).to(unit_to).magnitude
    else:
        factor = registry.Quantity(1.0, unit_from).to(unit_to).magnitude
        offset = 0.0
    # 15 digits take off pint's last-bit noise, so that 2 L is 2000 mL and not 1999.9999999999998.
    return float(f"{factor:z.15g}"), float(f"{offset:z.13g}")


class Decoded:
    """Mixin of value types that read themselves from a raw TOML value."""

    EXPECTED: ClassVar[str] = ""

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the checked value.

        Raises:
            Mismatch: It isn't what this type wants.
        """
        raise NotImplementedError

    @classmethod
    def wanted(cls) -> str:
        """Say what this type wants, after the word "expected"."""
        return cls.EXPECTED


class PlainText(Decoded, str):
    """Text of 1 to 120 characters with none that could drive a terminal."""

    EXPECTED = "text of 1 to 120 printable characters"

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the text itself."""
        if not isinstance(value, str) or not 1 <= len(value) <= 120 or clean(value, 120) != value:
            raise Mismatch(cls.EXPECTED)
        return cls(value)


class Quantity(Decoded, float):
    """A float in ``UNIT``, written as text with any unit of ``KIND``, within ``LOW`` to ``HIGH``.

    Attributes:
        given_unit: The unit as written; empty for a default that stands in the code.
    """

    KIND: ClassVar[str]
    UNIT: ClassVar[str]
    EXAMPLE: ClassVar[str]
    LOW: ClassVar[float]
    HIGH: ClassVar[float]
    given_unit: str = ""

    @classmethod
    def wanted(cls) -> str:
        """Say which unit, with an example."""
        return f'text with {_a(cls.KIND)} unit such as "{cls.EXAMPLE}"'

    @classmethod
    def within(
        cls, low: float | None = None, high: float | None = None, example: str | None = None
    ) -> type[Self]:
        """Return this quantity with another range or example."""
        given = {"LOW": low, "HIGH": high, "EXAMPLE": example}
        changed = {name: value for name, value in given.items() if value is not None}
        return type(cls.__name__, (cls,), changed)

    @classmethod
    def linear(cls, unit: str) -> tuple[float, float]:
        """Return factor and offset from ``unit`` to ``UNIT``: ``value * factor + offset``.

        Raises:
            Mismatch: The unit is unknown, or of another kind.
        """
        units = UNITS[cls.KIND]
        if unit in units:
            return _linear(units[unit] or unit, UNITS[cls.KIND][cls.UNIT] or cls.UNIT)
        if (other := _kind_of(unit)) is not None:
            raise Mismatch(cls.wanted(), f'"{unit}" ({_a(other)} unit)')
        by_case = {known.lower(): known for known in units}
        near = difflib.get_close_matches(unit.lower(), by_case, n=1)
        hint = _HINTS.get(unit.lower(), by_case[near[0]] if near else "")
        accepted = ", ".join(known for known in units if known)
        raise Mismatch(
            f"{cls.wanted()} (" + (f"closest: {hint}" if hint in units else accepted) + ")",
            f'unit "{clean(unit)}"' if unit else None,
        )

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the quantity in ``UNIT``.

        Raises:
            Mismatch: Not text, no plain finite number, a wrong unit, or out of range.
        """
        if not isinstance(value, str):
            raise Mismatch(cls.wanted())
        text = value.strip(" ")
        if comma := _DECIMAL_COMMA.match(text):
            point = f"{comma[1]}.{comma[2]}"
            raise Mismatch(f"{cls.wanted()} (a decimal point, not a comma: {point})")
        found = _QUANTITY.fullmatch(text)
        if found is None:
            raise Mismatch(cls.wanted() + " (a plain decimal number first)")
        try:
            factor, offset = cls.linear(found[2])
        except Mismatch as error:
            other = _kind_of(found[2])
            note = f"{show(value)} ({_a(other)} unit)" if other else None
            raise Mismatch(error.expected, note) from None
        result = cls(float(found[1]) * factor + offset)
        if not cls.LOW <= result <= cls.HIGH:
            raise Mismatch(f"{cls.LOW:zg} to {cls.HIGH:zg} {cls.UNIT}")
        result.given_unit = found[2]
        return result


def _of(kind: str, unit: str, example: str, low: float, high: float) -> type[Quantity]:
    told = {"KIND": kind, "UNIT": unit, "EXAMPLE": example, "LOW": low, "HIGH": high}
    return type(kind.title(), (Quantity,), told)


Kpa: Final = _of("pressure", "kPa", "180 kPa", -101.4, 3000.0)  # gauge
DegC: Final = _of("temperature", "degC", "35 degC", -60.0, 1200.0)
MlMin: Final = _of("flow", "mL/min", "550 mL/min", 0.0, 20000.0)
Ml: Final = _of("volume", "mL", "800 mL", 0.0, 200000.0)
Kg: Final = _of("mass", "kg", "4 kg", 0.0, 1.0e6)
Seconds: Final = _of("time", "s", "80 ms", 0.0, 1.0e6)
Volts: Final = _of("voltage", "V", "13.5 V", 0.0, 100.0)
Percent: Final = _of("percentage", "%", "12 %", -100.0, 1000.0)
Degrees: Final = _of("angle", "deg", "6 deg", -90.0, 90.0)  # of the crank
Rpm: Final = _of("rotation", "rpm", "7000 rpm", 0.0, 30000.0)
KmH: Final = _of("speed", "km/h", "100 km/h", 0.0, 500.0)  # of the road
Nm: Final = _of("torque", "N m", "300 N m", -5000.0, 5000.0)
Kw: Final = _of("power", "kW", "150 kW", -5000.0, 5000.0)
Plain: Final = _of("plain", "1", "0.85", -1.0e6, 1.0e6)  # a ratio
Knock: Final = _of("knock", "deg", "4 deg", 0.0, 1.0e6)  # retard or an intensity, as its column's
