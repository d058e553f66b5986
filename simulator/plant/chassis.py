"""What the engine drives: gearbox, clutch, tyres, air and rolling resistance."""

from typing import Final

from rules.step.arithmetic import larger
from simulator.plant.constants import Constants
from simulator.plant.driver import RPM_PER_RAD_S, rpm_per_m_s
from simulator.plant.state import Rates, State

_GRAVITY_M_S2: Final = 9.80665
IDLE_RPM: Final = 880.0
_CLUTCH_BITES_RPM: Final = 1500.0
_SHIFT_SYNC_S: Final = 0.07
_SLIP_S: Final = 0.2
_LOCK_S: Final = 0.02


def resistance_n(k: Constants, road_m_s: float) -> float:
    """Return air and rolling resistance, N.

    Args:
        k: Constants.
        road_m_s: Road speed, m/s, >= 0.

    Source: ``half rho Cd A v^2`` (``drag_kg_m`` is half rho Cd A) and a rolling coefficient.
    """
    air_n = k.drag_kg_m * road_m_s * road_m_s
    return air_n + (k.rolling * _GRAVITY_M_S2 * k.mass_kg if road_m_s > 0.1 else 0.0)


def acceleration_m_s2(
    k: Constants,
    torque_nm: float,
    gear: int,
    clutch_open: bool,
    brake_m_s2: float,
    road_m_s: float,
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
    mass_kg = k.mass_kg
    force_n = -resistance_n(k, road_m_s) - brake_m_s2 * mass_kg
    if not clutch_open:
        geared = rpm_per_m_s(k, gear) / RPM_PER_RAD_S  # engine rad/s for each m/s
        force_n += torque_nm * geared * k.driveline
        mass_kg += k.engine_kg_m2 * geared * geared
    return force_n / mass_kg


def roll_rates(k: Constants, s: State, d: Rates) -> None:
    """Work out how fast road speed and engine speed change."""
    clutch_open = s.clutch_open != 0.0
    accel = acceleration_m_s2(k, s.torque_nm, s.gear, clutch_open, s.brake_m_s2, s.road_m_s)
    if s.road_m_s <= 0.0 and accel < 0.0:
        accel = 0.0
    s.accel_m_s2 = accel
    d.road_m_s = accel
    d.speed_rpm = speed_rate_rpm_s(k, s)


def speed_rate_rpm_s(k: Constants, s: State) -> float:
    """Return how fast engine speed goes to where clutch and gear pull it, rpm/s."""
    gear = s.next_gear if s.clutch_open != 0.0 else s.gear
    synchronous_rpm = s.road_m_s * rpm_per_m_s(k, gear)
    if s.clutch_open != 0.0:
        return (larger(synchronous_rpm, IDLE_RPM) - s.speed_rpm) / _SHIFT_SYNC_S
    if synchronous_rpm < _CLUTCH_BITES_RPM:  # the clutch slips
        least_rpm = _CLUTCH_BITES_RPM if s.pedal > 0.0 else IDLE_RPM
        return (larger(synchronous_rpm, least_rpm) - s.speed_rpm) / _SLIP_S
    # A locked clutch follows no faster than a step.
    return (synchronous_rpm - s.speed_rpm) / larger(_LOCK_S, k.dt_s)
