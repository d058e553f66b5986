"""Fuel, mixture, torque and exhaust of the engine.

Constants without a source in their comment are common practice, typical of a petrol engine.
"""

from math import pi
from typing import Final

from rules.step.arithmetic import clamp, larger, smaller
from rules.step.vector import Vector
from simulator.plant.air import injector_duty_pct
from simulator.plant.chassis import IDLE_RPM
from simulator.plant.driver import RPM_PER_RAD_S
from simulator.plant.layout import (
    K_AMBIENT_KPA,
    K_CHARGER,
    K_COMPRESSION,
    K_CYLINDERS,
    K_DEAD_TIME_MS,
    K_DISPLACEMENT_M3,
    K_INJECTORS_KG_S,
    K_PEAK_KPA,
    K_REDLINE_RPM,
    K_RICH_PETROL,
    S_AIR_KG_S,
    S_BACK_KPA,
    S_BOOST_KPA,
    S_COMPRESSOR_KG_S,
    S_DUTY_PCT,
    S_EXHAUST_K,
    S_HEAT_RISE_K,
    S_HOT_C,
    S_HOT_K,
    S_LAMBDA,
    S_LIQUID_METHANOL,
    S_MANIFOLD_KPA,
    S_PEDAL,
    S_PETROL_KG_S,
    S_SEEN_LAMBDA,
    S_SPEED_RPM,
    S_TORQUE_NM,
    S_TORQUE_SHARE,
    S_VAPOUR_METHANOL,
    S_WORK_KJ,
    X_LEAN,
)

PETROL_KG_L: Final = 0.745
STOICHIOMETRIC: Final = 14.7
PETROL_J_KG: Final = 43.5e6
METHANOL_J_KG: Final = 19.9e6  # CRC formation enthalpies
METHANOL_AIR: Final = 6.473  # stoichiometric, from its elements
FULL_LOAD_LAMBDA: Final = 0.80
LEANEST_PETROL: Final = 0.90
_LEAN_END: Final = 1.95  # a wide-range probe reads no leaner
_INDICATED: Final = 0.36
_PROBE_S: Final = 0.08
_LEANER_K: Final = 500.0  # for each unit of lambda; common practice, no source
_GAS_S: Final = 0.05
_METAL_S: Final = 2.0
_BELT: Final = 0.95


def fuel(k: Vector, s: Vector) -> None:
    """Set petrol, injector duty and mixture by speed-density and the full-load map.

    Args:
        k: Constants.
        s: State; results are put into it.

    Source: duty is pulse width (with dead time) over the cycle, one injection each.
    """
    rpm = s[S_SPEED_RPM]
    overrun = s[S_PEDAL] <= 0.0 and rpm > 1.7 * IDLE_RPM
    petrol_kg_s = 0.0
    s[S_DUTY_PCT] = 0.0
    if not overrun and rpm <= k[K_REDLINE_RPM]:
        load = clamp(s[S_BOOST_KPA] / larger(k[K_PEAK_KPA], 60.0), 0.0, 1.0)
        richness = 1.0 - (1.0 - k[K_RICH_PETROL]) * load
        petrol_kg_s = s[S_AIR_KG_S] / STOICHIOMETRIC * richness
        cycle_s = 120.0 / larger(rpm, 300.0)
        pulse_ms = 1e3 * petrol_kg_s * cycle_s / k[K_INJECTORS_KG_S] + k[K_DEAD_TIME_MS]
        duty_pct = injector_duty_pct(pulse_ms, rpm)
        if duty_pct > 100.0:  # an injector can but stay open
            petrol_kg_s = petrol_kg_s * 100.0 / duty_pct
            duty_pct = 100.0
        s[S_DUTY_PCT] = duty_pct
        petrol_kg_s = petrol_kg_s * (1.0 - s[X_LEAN])
    s[S_PETROL_KG_S] = petrol_kg_s
    methanol_kg_s = s[S_VAPOUR_METHANOL] + s[S_LIQUID_METHANOL]
    needed_kg_s = STOICHIOMETRIC * petrol_kg_s + METHANOL_AIR * methanol_kg_s
    s[S_LAMBDA] = smaller(_LEAN_END, s[S_AIR_KG_S] / larger(needed_kg_s, 1e-6))


def friction_kpa(speed_rpm: float) -> float:
    """Return friction's mean effective pressure, kPa: about 1 to 2.5 bar (common practice)."""
    thousands = speed_rpm * 1e-3
    return 95.0 + 9.0 * thousands + 2.2 * thousands * thousands


def torque_rates(k: Vector, s: Vector, d: Vector) -> None:
    """Work out torque at the crank, work done, exhaust temperature and the probe's reading.

    Args:
        k: Constants.
        s: State; torque is put into it.
        d: Rates, per second.

    Source: energy of what burns times an indicated efficiency (rising with compression ratio, Otto
    cycle's trend), less friction and the pumping from manifold to exhaust.
    """
    rpm = larger(s[S_SPEED_RPM], 300.0)
    turns_rad_s = rpm / RPM_PER_RAD_S
    air_kg_s = s[S_AIR_KG_S]
    methanol_kg_s = s[S_VAPOUR_METHANOL] + s[S_LIQUID_METHANOL]
    for_petrol_kg_s = larger(air_kg_s - METHANOL_AIR * methanol_kg_s, 0.0)
    burnt_kg_s = smaller(s[S_PETROL_KG_S], for_petrol_kg_s / STOICHIOMETRIC)
    if s[S_PETROL_KG_S] <= 0.0:
        methanol_kg_s = 0.0
    heat_w = burnt_kg_s * PETROL_J_KG + methanol_kg_s * METHANOL_J_KG
    indicated = _INDICATED + 0.008 * (k[K_COMPRESSION] - 9.5)
    made_nm = indicated * s[S_TORQUE_SHARE] * heat_w / turns_rad_s
    pumping_kpa = s[S_BACK_KPA] - s[S_MANIFOLD_KPA]
    lost_nm = (friction_kpa(rpm) + pumping_kpa) * 1e3 * k[K_DISPLACEMENT_M3] / (4.0 * pi)
    if k[K_CHARGER] > 1.5:  # a belt drives it
        rise_k = s[S_HOT_K] - 297.0
        taken_w = s[S_COMPRESSOR_KG_S] * 1005.0 * larger(rise_k, 0.0) / _BELT
        lost_nm += taken_w / turns_rad_s
    s[S_TORQUE_NM] = made_nm - lost_nm
    d[S_WORK_KJ] = larger(made_nm - lost_nm, 0.0) * turns_rad_s * 1e-3
    load = s[S_MANIFOLD_KPA] / (k[K_AMBIENT_KPA] + larger(k[K_PEAK_KPA], 0.0))
    gas_k = 780.0 + 190.0 * smaller(load, 1.1) + s[S_HEAT_RISE_K]
    # Rich mixture cools it.
    gas_k += _LEANER_K * (clamp(s[S_LAMBDA], 0.7, 1.0) - FULL_LOAD_LAMBDA)
    if s[S_PETROL_KG_S] <= 0.0:
        gas_k = 500.0
    d[S_EXHAUST_K] = (gas_k - s[S_EXHAUST_K]) / _GAS_S
    d[S_HOT_C] = (s[S_EXHAUST_K] - 273.15 - s[S_HOT_C]) / _METAL_S
    d[S_SEEN_LAMBDA] = (s[S_LAMBDA] - s[S_SEEN_LAMBDA]) / _PROBE_S


def injectors_kg_s(count: float, rated_ml_min: float, rated_kpa: float, fuel_kpa: float) -> float:
    """Return what the petrol injectors give when always open, kg/s.

    Args:
        count: How many.
        rated_ml_min: Each one's rating.
        rated_kpa: Pressure across it there.
        fuel_kpa: Pressure across it in use.

    Source: square-root law; static flow as in SAE J1832.
    """
    ratio: float = (fuel_kpa / rated_kpa) ** 0.5
    return count * rated_ml_min * ratio * 1e-3 * PETROL_KG_L / 60.0


def events_per_s(k: Vector, speed_rpm: float) -> float:
    """Return combustions a second of a four-stroke engine."""
    return k[K_CYLINDERS] * speed_rpm / 120.0
