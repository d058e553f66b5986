"""Air and charge: compressor, intercooler, speed-density, injector duty. Pure functions."""

from typing import Final

GAS_CONSTANT_J_KG_K: Final = 287.05  # dry air, ICAO standard atmosphere
ZERO_C_K: Final = 273.15
_HEAT_RATIO: Final = 0.4 / 1.4  # (gamma - 1) / gamma of air, gamma = 1.4


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
