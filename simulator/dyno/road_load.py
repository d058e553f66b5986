"""Torque at the crank, from how fast a car gains speed in a gear, and what holds it back."""

from math import pi
from typing import Any, Final

from rules.facts import Rig

STILL_AIR_KG_M3: Final = 1.2  # where the weather isn't known: 20 degC at sea level
_GRAVITY_M_S2: Final = 9.80665
_RAD_S_PER_RPM: Final = pi / 30.0


def geared_rad_m(rig: Rig, gear: int) -> float:
    """Return how far the crank turns for each metre of road, rad/m.

    Args:
        rig: Its ``[vehicle]`` says gears, final drive and tyre radius.
        gear: From 1 up to as many as there are.
    """
    vehicle = rig.vehicle
    return vehicle.gears[gear - 1] * vehicle.final_drive / vehicle.tyre_radius_m


def torque_nm(rig: Rig, gear: int, speed_rpm: Any, rise_rpm_s: Any, air_kg_m3: float) -> Any:
    """Return the torque at the crank, N m, on a level road without wind, the clutch closed.

    Args:
        rig: Its ``[vehicle]`` says mass, drag, tyres and losses.
        gear: See ``geared_rad_m``.
        speed_rpm: Engine speed, (n,).
        rise_rpm_s: How fast it rises, rpm/s, (n,).
        air_kg_m3: Density of the air outside.

    Source: Newton's second law; air takes half rho Cd A v^2, tyres a share of the weight, the
    engine's inertia counts by the square of the gearing, gears and final drive take their share.
    """
    vehicle = rig.vehicle
    geared = geared_rad_m(rig, gear)
    road_m_s = _RAD_S_PER_RPM * speed_rpm / geared
    air_n = 0.5 * air_kg_m3 * vehicle.drag_area_m2 * road_m_s * road_m_s
    held_n = air_n + vehicle.rolling * _GRAVITY_M_S2 * vehicle.mass_kg
    return rise_rpm_s * nm_per_rpm_s(rig, gear) + held_n / (geared * vehicle.driveline_efficiency)


def nm_per_rpm_s(rig: Rig, gear: int) -> float:
    """Return the torque it takes to speed up by 1 rpm/s, N m."""
    vehicle = rig.vehicle
    geared = geared_rad_m(rig, gear)
    moved_kg = vehicle.mass_kg + rig.engine_inertia_kg_m2 * geared * geared
    return moved_kg * _RAD_S_PER_RPM / geared / (geared * vehicle.driveline_efficiency)
