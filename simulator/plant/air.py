"""Air and charge: compressor, intercooler, speed-density, evaporation. Pure functions."""

from math import exp
from typing import Final

GAS_CONSTANT_J_KG_K: Final = 287.05  # dry air, ICAO standard atmosphere
ZERO_C_K: Final = 273.15
_HEAT_RATIO: Final = 0.4 / 1.4  # (gamma - 1) / gamma of air, gamma = 1.4
_AIR_KJ_KG_K: Final = 1.006  # ASHRAE Handbook Fundamentals, chapter 1, like the next three
_VAPOUR_AT_ZERO_KJ_KG: Final = 2501.0
_VAPOUR_KJ_KG_K: Final = 1.86
_WATER_KJ_KG_K: Final = 4.186
_METHANOL_LATENT_KJ_KG: Final = 1169.0  # at 25 degC, equation of state in CoolProp
_METHANOL_VAPOUR_KJ_KG_K: Final = 1.4  # ideal-gas vapour near 50 degC
_WATER_TO_AIR_MOLAR_MASS: Final = 0.621945
_BISECTIONS: Final = 18  # 80 K / 2**18 is far below the sensor's 0.1 K


def compressor_outlet_k(inlet_k: float, pressure_ratio: float, efficiency: float) -> float:
    """Return the temperature of the air leaving the compressor, in kelvin.

    Args:
        inlet_k: Inlet temperature, kelvin, 200 to 400.
        pressure_ratio: Outlet over inlet absolute pressure, 1 to 5.
        efficiency: Isentropic efficiency, 0.3 to 1.

    Source: isentropic-efficiency relation, gamma = 1.4 (any thermodynamics textbook).
    """
    rise: float = pressure_ratio**_HEAT_RATIO - 1.0
    return inlet_k * (1.0 + rise / efficiency)


def intercooler_outlet_k(hot_k: float, coolant_k: float, effectiveness: float) -> float:
    """Return the temperature of the air leaving the intercooler, in kelvin.

    Args:
        hot_k: Air in, kelvin.
        coolant_k: What cools it, kelvin.
        effectiveness: 0 (none) to 1 (down to the coolant).

    Source: definition of heat-exchanger effectiveness.
    """
    return hot_k - effectiveness * (hot_k - coolant_k)


def air_flow_kg_s(
    volumetric_efficiency: float,
    displacement_l: float,
    speed_rpm: float,
    manifold_kpa: float,
    charge_k: float,
) -> float:
    """Return the air a four-stroke engine draws, in kg/s (speed-density).

    Args:
        volumetric_efficiency: Ratio, 0.3 to 1.3.
        displacement_l: Litres, > 0.
        speed_rpm: Engine speed, >= 0.
        manifold_kpa: Absolute manifold pressure, >= 0.
        charge_k: Charge temperature, kelvin, > 200.

    Source: ideal gas; one displacement drawn every second turn.
    """
    volume_m3_s = volumetric_efficiency * displacement_l * 1e-3 * speed_rpm / 120.0
    return volume_m3_s * manifold_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * charge_k)


def injector_duty_pct(pulse_ms: float, speed_rpm: float) -> float:
    """Return injector duty for one injection a four-stroke cycle, in percent.

    Args:
        pulse_ms: Pulse width with dead time, milliseconds, >= 0.
        speed_rpm: Engine speed, >= 0.

    Source: definition; a cycle lasts 120000 / rpm milliseconds.
    """
    return pulse_ms * speed_rpm / 1200.0


def saturation_pressure_kpa(temperature_c: float) -> float:
    """Return the vapour pressure of water, in kPa, good to 0.12 % from 0 to 100 degC.

    Source: Buck (1996) equation over water.
    """
    t = temperature_c
    return 0.61121 * exp((18.678 - t / 234.5) * t / (257.14 + t))


def saturation_humidity_kg_kg(temperature_c: float, pressure_kpa: float) -> float:
    """Return the most vapour air can hold, kg per kg of dry air (ideal gas; 1 where it boils).

    Args:
        temperature_c: Air temperature, 0 to 100 degC.
        pressure_kpa: Absolute pressure, kPa, > 0.
    """
    vapour_kpa = saturation_pressure_kpa(temperature_c)
    if vapour_kpa > 0.5 * pressure_kpa:
        return 1.0
    return _WATER_TO_AIR_MOLAR_MASS * vapour_kpa / (pressure_kpa - vapour_kpa)


def evaporation_drop_k(
    dry_c: float,
    pressure_kpa: float,
    water_kg_kg: float,
    methanol_kg_kg: float,
    humidity_kg_kg: float = 0.0,
) -> float:
    """Return how far evaporating spray cools the charge, in kelvin.

    All methanol evaporates; water only until the air is saturated, which boost brings closer.
    Both liquids enter at 25 degC.

    Args:
        dry_c: Charge before the spray, degC, 0 to 200.
        pressure_kpa: Absolute manifold pressure, kPa, > 20.
        water_kg_kg: Liquid water offered, kg per kg of dry air, 0 to 0.2.
        methanol_kg_kg: Liquid methanol, likewise.
        humidity_kg_kg: Vapour the air brought along, kg per kg.

    Source: adiabatic mixing with ASHRAE moist-air enthalpies; methanol's latent heat from its
    equation of state, no heat of mixing.
    """
    low_c = -20.0
    high_c = dry_c
    for _ in range(_BISECTIONS):
        t = 0.5 * (low_c + high_c)
        room = saturation_humidity_kg_kg(t, pressure_kpa) - humidity_kg_kg
        water = min(water_kg_kg, max(room, 0.0))
        taken_kj_kg = water * (
            _VAPOUR_AT_ZERO_KJ_KG + _VAPOUR_KJ_KG_K * t - _WATER_KJ_KG_K * 25.0
        ) + methanol_kg_kg * (_METHANOL_LATENT_KJ_KG + _METHANOL_VAPOUR_KJ_KG_K * (t - 25.0))
        if taken_kj_kg > _AIR_KJ_KG_K * (dry_c - t):
            high_c = t  # at this temperature more would evaporate than the cooling pays for
        else:
            low_c = t
        if high_c - low_c < 0.002:
            break
    return dry_c - 0.5 * (low_c + high_c)
