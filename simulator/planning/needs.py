"""Petrol of a pull, the spray that goes with it, and what its methanol does as a fuel."""

from dataclasses import dataclass
from typing import Final

from rules.facts import Rig
from rules.petrol import FULL_LOAD_LAMBDA, petrol_kg_s
from simulator.plant.mixture import (
    METHANOL_LOWER_HEAT_MJ_KG,
    METHANOL_STOICHIOMETRIC_AIR,
    PETROL_LOWER_HEAT_MJ_KG,
    lambda_ratio,
)
from simulator.rig.petrol_share import PRACTICE_PCT

PETROL_AIR: Final = 14.7  # kg per kg, stoichiometric: a convention; E10 is near 14.1
# Petrol for work at full load, boosted and rich, g/kWh at the crank; common practice, no source.
G_KWH: Final = 320.0
G_KWH_BAND: Final = (280.0, 380.0)


@dataclass(frozen=True, slots=True)
class Burned:
    """What a full-load engine takes at one speed.

    Attributes:
        speed_rpm: Engine speed.
        petrol_kg_s: Petrol.
        air_kg_s: Air.
    """

    speed_rpm: float
    petrol_kg_s: float
    air_kg_s: float


def burned_at(rig: Rig, boost_kpa: float, speed_rpm: float, factor: float = 1.0) -> Burned:
    """Return petrol and air at full load.

    Args:
        rig: The rig.
        boost_kpa: Gauge.
        speed_rpm: Engine speed, > 0.
        factor: What a known power says of the petrol, over what the rig's engine facts say.

    Source: speed-density at the rig's volumetric efficiency, lambda 0.82 by the petrol alone.
    """
    petrol = factor * petrol_kg_s(rig, boost_kpa, speed_rpm)
    return Burned(speed_rpm, petrol, petrol * PETROL_AIR * FULL_LOAD_LAMBDA)


def petrol_for(power_kw: float, g_kwh: float = G_KWH) -> float:
    """Return the petrol for a power at full load, kg/s.

    Args:
        power_kw: At the crank, >= 0.
        g_kwh: Petrol for work, g/kWh; see ``G_KWH``.

    Source: definition of specific consumption.
    """
    return power_kw * g_kwh * 1e-3 / 3600.0


def power_kw(petrol: float) -> tuple[float, float]:
    """Return from which power to which one petrol (kg/s) speaks for, kW at the crank."""
    least, most = G_KWH_BAND
    return petrol * 3.6e6 / most, petrol * 3.6e6 / least


def needed_ml_min(petrol: float, fluid_kg_m3: float) -> tuple[float, float]:
    """Return the spray that goes with so much petrol by common practice, mL/min.

    Args:
        petrol: kg/s, >= 0.
        fluid_kg_m3: Density of the mix, > 0.

    Source: 10 to 35 % of the petrol by mass; common practice, no source.
    """
    least, most = (0.01 * percent * petrol / fluid_kg_m3 * 1e6 * 60.0 for percent in PRACTICE_PCT)
    return least, most


def fluid_kg_s(flow_ml_min: float, fluid_kg_m3: float) -> float:
    """Return a flow's mass, kg/s."""
    return flow_ml_min * fluid_kg_m3 * 1e-6 / 60.0


@dataclass(frozen=True, slots=True)
class AsFuel:
    """What the methanol in the spray does as a fuel.

    Attributes:
        lambda_with: Air over what petrol and methanol together burn with.
        lambda_without: The same once the spray is lost.
        heat_share: Methanol's share of the heat.
        petrol_for_air: Petrol that would take up as much air, kg/s.
    """

    lambda_with: float
    lambda_without: float
    heat_share: float
    petrol_for_air: float


def as_fuel(air: float, petrol: float, methanol: float) -> AsFuel:
    """Return what methanol does as a fuel beside petrol.

    Args:
        air: Air, kg/s (or any unit of mass flow, the same for all three).
        petrol: Petrol, > 0.
        methanol: Methanol, >= 0.

    Source: definition of lambda; 6.473 kg of air a kilogram of methanol (its elements); lower
    heating values 19.91 (CRC formation enthalpies) and 43.5 MJ/kg (typical petrol).
    """
    heat = methanol * METHANOL_LOWER_HEAT_MJ_KG
    return AsFuel(
        lambda_ratio(air, petrol, methanol, PETROL_AIR),
        lambda_ratio(air, petrol, 0.0, PETROL_AIR),
        heat / (heat + petrol * PETROL_LOWER_HEAT_MJ_KG),
        methanol * METHANOL_STOICHIOMETRIC_AIR / PETROL_AIR,
    )
