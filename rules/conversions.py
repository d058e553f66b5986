"""Debt into time and back: what a threshold in millilitres means at a boost."""

from math import inf, sqrt
from typing import Final

from rules.debt import allowance_ml_min
from rules.facts import Rig

_AIR_J_KG_K: Final = 287.05  # ICAO standard atmosphere
_CHARGE_K: Final = 313.0  # with spray, on a mild day; common practice, no source
_AIR_PER_PETROL: Final = 14.7 * 0.82  # by mass, rich as under boost; common practice, no source
_PETROL_KG_M3: Final = 745.0


def seconds_to_debt(
    rig: Rig, expected_ml_min: float, missing_share: float, debt_ml: float
) -> float:
    """Return how long a steady shortfall takes to build up a debt, s; infinite where it never does.

    Args:
        rig: Its allowance counts; its timing part is nil while the command stands still.
        expected_ml_min: Flow the sensor should read, >= 0.
        missing_share: Share of it that does not arrive, 0 to 1.
        debt_ml: The debt, mL.

    Counted from when the sensor shows the shortfall; its transport delay and lag come on top.
    """
    allowance = allowance_ml_min(rig.debt.share, rig.debt.floor_ml_min, 0.0, expected_ml_min)
    net_ml_min = missing_share * expected_ml_min - allowance
    return debt_ml / net_ml_min * 60.0 if net_ml_min > 0.0 else inf


def tank_minutes(tank_ml: float, flow_ml_min: float, spraying_share: float = 1.0) -> float:
    """Return how long a tank lasts, min; infinite where nothing is used.

    Args:
        tank_ml: Usable fluid, mL, >= 0.
        flow_ml_min: Flow while spraying, mL/min, >= 0.
        spraying_share: Share of the time with spray, 0 to 1.
    """
    used_ml_min = flow_ml_min * spraying_share
    return tank_ml / used_ml_min if used_ml_min > 0.0 else inf


def tank_range_km(
    tank_ml: float, flow_ml_min: float, spraying_share: float, speed_km_h: float
) -> float:
    """Return how far a tank lasts, km, at a mean speed (km/h) and a share of the time spraying."""
    return tank_minutes(tank_ml, flow_ml_min, spraying_share) / 60.0 * speed_km_h


def injector_duty_pct(rig: Rig, boost_kpa: float, speed_rpm: float) -> float:
    """Return about what injector duty an engine needs, % (more than 100: injectors too small).

    Args:
        rig: Engine and injectors.
        boost_kpa: Boost, gauge.
        speed_rpm: Engine speed.

    Source: speed-density (ideal gas, one displacement every second turn at the rig's volumetric
    efficiency); injectors by the square root of the pressure across them, plus dead time.
    """
    engine, injectors = rig.engine, rig.injectors
    cycles_s = speed_rpm / 120.0
    air_kg_m3 = 1e3 * (engine.ambient_kpa + boost_kpa) / (_AIR_J_KG_K * _CHARGE_K)
    cycle_kg = engine.volumetric_efficiency * engine.displacement_l * 1e-3 * air_kg_m3
    petrol_ml_min = cycle_kg * cycles_s / _AIR_PER_PETROL / _PETROL_KG_M3 * 60e6
    rated_ml_min = injectors.count * injectors.rated_ml_min
    rated_ml_min *= sqrt(injectors.fuel_kpa / injectors.rated_kpa)
    return 100.0 * (petrol_ml_min / rated_ml_min + 1e-3 * injectors.dead_time_ms * cycles_s)
