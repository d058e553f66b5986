"""What the engine drives: gearbox, clutch, tyres, air and rolling resistance."""

from typing import Final

from rules.step.arithmetic import larger
from rules.step.vector import Vector
from simulator.plant.driver import RPM_PER_RAD_S, rpm_per_m_s
from simulator.plant.layout import (
    K_DISPLACEMENT_M3,
    K_DRAG,
    K_MASS_KG,
    S_ACCEL_M_S2,
    S_BRAKE_M_S2,
    S_CLUTCH_OPEN,
    S_GEAR,
    S_NEXT_GEAR,
    S_PEDAL,
    S_ROAD_M_S,
    S_SPEED_RPM,
    S_TORQUE_NM,
)

_INERTIA_KG_M2_PER_M3: Final = 89.0  # a 1.8 L four with its flywheel: 0.16; common practice
_DRIVELINE: Final = 0.92  # efficiency of a gearbox and final drive; common practice, no source
_ROLLING: Final = 0.013  # of the weight; common practice, no source
_GRAVITY_M_S2: Final = 9.80665
IDLE_RPM: Final = 880.0
_CLUTCH_BITES_RPM: Final = 1500.0
_SHIFT_SYNC_S: Final = 0.07
_SLIP_S: Final = 0.2
_LOCK_S: Final = 0.02


def resistance_n(k: Vector, road_m_s: float) -> float:
    """Return air and rolling resistance, N.

    Args:
        k: Constants.
        road_m_s: Road speed, m/s, >= 0.

    Source: ``half rho Cd A v^2`` (``K_DRAG`` is half rho Cd A) and a rolling coefficient.
    """
    air_n = k[K_DRAG] * road_m_s * road_m_s
    return air_n + (_ROLLING * _GRAVITY_M_S2 * k[K_MASS_KG] if road_m_s > 0.1 else 0.0)


def acceleration_m_s2(
    k: Vector, torque_nm: float, gear: float, clutch_open: bool, brake_m_s2: float, road_m_s: float
) -> float:
    """Return the car's acceleration, m/s2.

    Args:
        k: Constants.
        torque_nm: At the crank, net of friction and pumping.
        gear: 0 to 8.
        clutch_open: Whether the engine is off the wheels.
        brake_m_s2: What the brakes take.
        road_m_s: Road speed, m/s.

    Source: Newton's second law; the engine's inertia counts by the square of the gearing.
    """
    mass_kg = k[K_MASS_KG]
    force_n = -resistance_n(k, road_m_s) - brake_m_s2 * mass_kg
    if not clutch_open:
        geared = rpm_per_m_s(k, gear) / RPM_PER_RAD_S  # engine rad/s for each m/s
        force_n += torque_nm * geared * _DRIVELINE
        mass_kg += _INERTIA_KG_M2_PER_M3 * k[K_DISPLACEMENT_M3] * geared * geared
    return force_n / mass_kg


def roll_rates(k: Vector, s: Vector, d: Vector, dt_s: float) -> None:
    """Work out how fast road speed and engine speed change.

    Args:
        k: Constants.
        s: State; acceleration is put into it.
        d: Rates, per second.
        dt_s: Step, seconds; a locked clutch follows no faster.
    """
    clutch_open = s[S_CLUTCH_OPEN] != 0.0
    accel = acceleration_m_s2(
        k, s[S_TORQUE_NM], s[S_GEAR], clutch_open, s[S_BRAKE_M_S2], s[S_ROAD_M_S]
    )
    if s[S_ROAD_M_S] <= 0.0 and accel < 0.0:
        accel = 0.0
    s[S_ACCEL_M_S2] = accel
    d[S_ROAD_M_S] = accel
    d[S_SPEED_RPM] = speed_rate_rpm_s(k, s, dt_s)


def speed_rate_rpm_s(k: Vector, s: Vector, dt_s: float) -> float:
    """Return how fast engine speed goes to where clutch and gear pull it, rpm/s."""
    gear = s[S_NEXT_GEAR] if s[S_CLUTCH_OPEN] != 0.0 else s[S_GEAR]
    synchronous_rpm = s[S_ROAD_M_S] * rpm_per_m_s(k, gear)
    if s[S_CLUTCH_OPEN] != 0.0:
        return (larger(synchronous_rpm, IDLE_RPM) - s[S_SPEED_RPM]) / _SHIFT_SYNC_S
    if synchronous_rpm < _CLUTCH_BITES_RPM:  # the clutch slips
        least_rpm = _CLUTCH_BITES_RPM if s[S_PEDAL] > 0.0 else IDLE_RPM
        return (larger(synchronous_rpm, least_rpm) - s[S_SPEED_RPM]) / _SLIP_S
    return (synchronous_rpm - s[S_SPEED_RPM]) / larger(_LOCK_S, dt_s)
