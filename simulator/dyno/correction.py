"""What an engine would give in reference air: SAE J1349 and ISO 1585, within their limits."""

from dataclasses import dataclass
from enum import Enum
from math import sqrt
from typing import Final, NamedTuple

from simulator.plant.mixture import water_vapour_kpa

_ZERO_K: Final = 273.0  # as both standards write it
_REFERENCE_K: Final = 298.0
_REFERENCE_KPA: Final = 99.0  # dry
_AIR_J_KG_K: Final = 287.05  # ICAO standard atmosphere
_VAPOUR_J_KG_K: Final = 461.5  # IAPWS
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Air:
    """The air an engine draws from.

    Attributes:
        temperature_c: At its inlet, degC, -40 to 60.
        pressure_kpa: Barometer, absolute, as it stands at the place (not reduced to sea level).
        humidity_pct: Relative, 0 to 100.
    """

    temperature_c: float
    pressure_kpa: float
    humidity_pct: float

    @property
    def vapour_kpa(self) -> float:
        """Pressure of the water vapour in it."""
        return 0.01 * self.humidity_pct * water_vapour_kpa(self.temperature_c)

    @property
    def dry_kpa(self) -> float:
        """What is left of its pressure without that."""
        return self.pressure_kpa - self.vapour_kpa

    @property
    def density_kg_m3(self) -> float:
        """Its density. Source: ideal gases."""
        kelvin = self.temperature_c + 273.15
        return 1e3 * (
            self.dry_kpa / (_AIR_J_KG_K * kelvin) + self.vapour_kpa / (_VAPOUR_J_KG_K * kelvin)
        )


class Correction(Enum):
    """How torque and power are brought to reference air; values are how people write it."""

    NONE = "none"
    J1349 = "j1349"
    ISO1585 = "iso1585"


class _Limits(NamedTuple):
    """Of the factor, of air's temperature (degC), and of the barometer (kPa)."""

    factor: tuple[float, float]
    temperature_c: tuple[float, float]
    pressure_kpa: tuple[float, float]


# The factor's of ISO 1585 are in print; all others are from memory.
_VALID: Final = {
    Correction.J1349: _Limits((0.93, 1.07), (15.0, 35.0), (90.0, 105.0)),
    Correction.ISO1585: _Limits((0.93, 1.07), (15.0, 35.0), (80.0, 110.0)),
}
NAMES: Final = {
    Correction.NONE: "none, as measured",
    Correction.J1349: "SAE J1349 (1.18 x 99/dry kPa x root of K/298 - 0.18)",
    Correction.ISO1585: "ISO 1585 ((99/dry kPa)^1.2 x (K/298)^0.6)",
}


def factor(method: Correction, air: Air) -> float:
    """Return what to multiply torque and power by; 1 without a correction.

    Args:
        method: Which.
        air: As it was; outside ``beyond`` the factor says nothing.

    Source: SAE J1349, June 1990 form (1.18 and 0.18; later editions keep its 99 kPa, 25 degC and
    mechanical efficiency of 85 %); ISO 1585, spark ignition, as in UN Regulation 85, annex 5.
    """
    pressure = _REFERENCE_KPA / air.dry_kpa
    heat = (air.temperature_c + _ZERO_K) / _REFERENCE_K
    match method:
        case Correction.J1349:
            return 1.18 * pressure * sqrt(heat) - 0.18
        case Correction.ISO1585:
            value: float = pressure**1.2 * heat**0.6
            return value
        case Correction.NONE:
            return 1.0


def beyond(method: Correction, air: Air) -> str:
    """Return what lies outside a method's limits, and those; empty where it is valid."""
    if method is Correction.NONE:
        return ""
    limits = _VALID[method]
    looked_at = (
        ("air", air.temperature_c, limits.temperature_c, " degC", 1),
        ("a barometer", air.pressure_kpa, limits.pressure_kpa, " kPa", 1),
        ("a factor", factor(method, air), limits.factor, "", 3),
    )
    for what, value, (low, high), unit, decimals in looked_at:
        if not low - _ROUNDING <= value <= high + _ROUNDING:
            return f"{what} of {value:z.{decimals}f}{unit}, expected {low:zg} to {high:zg}{unit}"
    return ""
