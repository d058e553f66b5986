"""Values that read themselves from a raw TOML value: text, and quantities with a unit."""

import difflib
import re
from typing import ClassVar, Final, Self

from simulator.strict.text import Mismatch, clean, show

_SAME: Final = (1.0, 0.0)
# What may be written, by kind: factor and offset to the kind's own unit, to 15 digits. A closed
# list, since a library of units would read "26 mPa" as 0.000026 kPa, and takes 0.4 s to load. By
# NIST SP 811, appendix B; a test holds every one to pint.
UNITS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "pressure": {
        **{"kPa": _SAME, "psi": (6.89475729316836, 0.0), "bar": (100.0, 0.0), "mbar": (0.1, 0.0)},
        **{"hPa": (0.1, 0.0), "MPa": (1000.0, 0.0)},
        **{"inHg": (3.386388640341, 0.0), "mmHg": (0.133322387415, 0.0)},
    },
    "temperature": {
        **{"degC": _SAME, "degF": (0.555555555555556, -17.77777777778), "K": (1.0, -273.15)},
        **{"°C": _SAME, "°F": (0.555555555555556, -17.77777777778)},
    },
    "flow": {
        **dict.fromkeys(("mL/min", "ml/min", "cc/min"), _SAME),
        **dict.fromkeys(("L/min", "l/min"), (1000.0, 0.0)),
        **dict.fromkeys(("L/h", "l/h"), (16.6666666666667, 0.0)),
        **dict.fromkeys(("mL/s", "ml/s"), (60.0, 0.0)),
        **{"gal/h": (63.0901964, 0.0), "gal/min": (3785.411784, 0.0)},  # US gallons
    },
    "volume": {
        **dict.fromkeys(("mL", "ml", "cc"), _SAME),
        **dict.fromkeys(("L", "l"), (1000.0, 0.0)),
        # US measures
        **{"gal": (3785.411784, 0.0), "qt": (946.352946, 0.0), "floz": (29.5735295625, 0.0)},
    },
    "mass": {"kg": _SAME, "g": (1e-3, 0.0), "lb": (0.45359237, 0.0), "oz": (0.028349523125, 0.0)},
    "time": {
        **{"s": _SAME, "ms": (1e-3, 0.0), "us": (1e-6, 0.0), "µs": (1e-6, 0.0)},
        **{"min": (60.0, 0.0), "h": (3600.0, 0.0)},
    },
    "voltage": {"V": _SAME, "mV": (1e-3, 0.0)},
    "percentage": {"%": _SAME, "percent": _SAME, "1": (100.0, 0.0)},
    "angle": {"deg": _SAME, "°": _SAME},
    "frequency": {"Hz": _SAME},
    "rotation": dict.fromkeys(("rpm", "1/min", "rev/min"), _SAME),
    "speed": {"km/h": _SAME, "kph": _SAME, "mph": (1.609344, 0.0), "m/s": (3.6, 0.0)},
    "torque": {
        **dict.fromkeys(("N m", "Nm"), _SAME),
        **dict.fromkeys(
            ("lb ft", "lbft", "lb-ft", "ft lb", "ftlb", "ft-lb"), (1.3558179483314, 0.0)
        ),
    },
    # hp is 550 ft lbf/s, PS 75 kgf m/s.
    "power": {
        **{"kW": _SAME, "W": (1e-3, 0.0)},
        **{"hp": (0.74569987158227, 0.0), "PS": (0.73549875, 0.0)},
    },
    "plain": {"": _SAME, "1": _SAME},
    # Retard in degrees, or whatever intensity the sensor gives: numbers pass as they are.
    "knock": dict.fromkeys(("deg", "V", "count"), _SAME),
}
_QUANTITY: Final = re.compile(r"([+-]?[0-9]{1,12}(?:\.[0-9]{1,12})?(?:[eE][+-]?[0-9]{1,2})?) *(.*)")
_DECIMAL_COMMA: Final = re.compile(r"([+-]?[0-9]{1,12}),([0-9]{1,12})(?![0-9.,])")
_LONGEST_PROSE: Final = 1200
# How people write it, where the nearest spelling would mislead.
_HINTS: Final = {"c": "degC", "f": "degF", "kelvin": "K", "sec": "s", "gph": "gal/h", "v": "V"}


def _a(noun: str) -> str:
    return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"


def _kind_of(unit: str) -> str | None:
    return next((kind for kind, units in UNITS.items() if unit and unit in units), None)


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


class Prose(Decoded, str):
    """Text of several sentences, in one line; none of it could drive a terminal."""

    EXPECTED = f"text of 1 to {_LONGEST_PROSE} printable characters"

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the text, its line breaks made spaces.

        Raises:
            Mismatch: No such text.
        """
        text = " ".join(value.split()) if isinstance(value, str) else ""
        if not 1 <= len(text) <= _LONGEST_PROSE or clean(text, _LONGEST_PROSE) != text:
            raise Mismatch(cls.EXPECTED)
        return cls(text)


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
            (factor, offset), (to, from_) = units[unit], units[cls.UNIT]
            # To 15 digits, so that 90 min are 1.5 h to the last bit.
            return float(f"{factor / to:z.15g}"), (offset - from_) / to
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
Hertz: Final = _of("frequency", "Hz", "100 Hz", 5.0, 1000.0)  # samples a second
Degrees: Final = _of("angle", "deg", "6 deg", -90.0, 90.0)  # of the crank
Rpm: Final = _of("rotation", "rpm", "7000 rpm", 0.0, 30000.0)
KmH: Final = _of("speed", "km/h", "100 km/h", 0.0, 500.0)  # of the road
Nm: Final = _of("torque", "N m", "300 N m", -5000.0, 5000.0)
Kw: Final = _of("power", "kW", "150 kW", -5000.0, 5000.0)
Plain: Final = _of("plain", "1", "0.85", -1.0e6, 1.0e6)  # a ratio
Knock: Final = _of("knock", "deg", "4 deg", 0.0, 1.0e6)  # retard or an intensity, as its column's
