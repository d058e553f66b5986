"""Fuel, mixture, torque and exhaust of the engine.

Constants without a source in their comment are common practice, typical of a petrol engine.
"""

from math import pi
from typing import Final

from rules.step.arithmetic import clamp, larger, smaller
from simulator.plant.air import injector_duty_pct
from simulator.plant.charging import TURBOCHARGER
from simulator.plant.chassis import IDLE_RPM
from simulator.plant.constants import Constants
from simulator.plant.driver import RPM_PER_RAD_S
from simulator.plant.state import Rates, State

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


def full_load_share(k: Constants, boost_kpa: float) -> float:
    """Return how far load is on its way to full load, where petrol is enriched: 0 to 1.

    Common practice, no source: with a charger from 0 kPa gauge to full boost; without one, over the
    last 20 kPa of the throttle's way.
    """
    return clamp((boost_kpa - k.load_from_kpa) / k.load_span_kpa, 0.0, 1.0)


def fuel(k: Constants, s: State) -> None:
    """Set petrol, injector duty and mixture by speed-density and the full-load map.

    Source: duty is pulse width (with dead time) over the cycle, one injection each.
    """
    rpm = s.speed_rpm
    overrun = s.pedal <= 0.0 and rpm > 1.7 * IDLE_RPM
    petrol_kg_s = 0.0
    s.duty_pct = 0.0
    if not overrun and rpm <= k.redline_rpm:
        richness = 1.0 - (1.0 - k.rich_petrol) * full_load_share(k, s.boost_kpa)
        petrol_kg_s = s.air_kg_s / STOICHIOMETRIC * richness
        cycle_s = 120.0 / larger(rpm, 300.0)
        pulse_ms = 1e3 * petrol_kg_s * cycle_s / k.injectors_kg_s + k.dead_time_ms
        duty_pct = injector_duty_pct(pulse_ms, rpm)
        if duty_pct > 100.0:  # an injector can but stay open
            petrol_kg_s = petrol_kg_s * 100.0 / duty_pct
            duty_pct = 100.0
        s.duty_pct = duty_pct
        petrol_kg_s = petrol_kg_s * (1.0 - s.petrol_short)
    s.petrol_kg_s = petrol_kg_s
    methanol_kg_s = s.vapour_methanol_kg_s + s.liquid_methanol_kg_s
    needed_kg_s = STOICHIOMETRIC * petrol_kg_s + METHANOL_AIR * methanol_kg_s
    s.lambda_ratio = smaller(_LEAN_END, s.air_kg_s / larger(needed_kg_s, 1e-6))


def friction_kpa(speed_rpm: float) -> float:
    """Return friction's mean effective pressure, kPa: about 1 to 2.5 bar (common practice)."""
    thousands = speed_rpm * 1e-3
    return 95.0 + 9.0 * thousands + 2.2 * thousands * thousands


def torque_rates(k: Constants, s: State, d: Rates) -> None:
    """Work out torque at the crank, work done, exhaust temperature and the probe's reading.

    Source: energy of what burns times an indicated efficiency (rising with compression ratio, Otto
    cycle's trend), less friction and the pumping from manifold to exhaust.
    """
    rpm = larger(s.speed_rpm, 300.0)
    turns_rad_s = rpm / RPM_PER_RAD_S
    air_kg_s = s.air_kg_s
    methanol_kg_s = s.vapour_methanol_kg_s + s.liquid_methanol_kg_s
    for_petrol_kg_s = larger(air_kg_s - METHANOL_AIR * methanol_kg_s, 0.0)
    burnt_kg_s = smaller(s.petrol_kg_s, for_petrol_kg_s / STOICHIOMETRIC)
    if s.petrol_kg_s <= 0.0:
        methanol_kg_s = 0.0
    heat_w = burnt_kg_s * PETROL_J_KG + methanol_kg_s * METHANOL_J_KG
    indicated = _INDICATED + 0.008 * (k.compression - 9.5)
    made_nm = indicated * s.torque_share * heat_w / turns_rad_s
    pumping_kpa = s.back_kpa - s.manifold_kpa
    lost_nm = (friction_kpa(rpm) + pumping_kpa) * 1e3 * k.displacement_m3 / (4.0 * pi)
    if k.charger > TURBOCHARGER:  # a belt drives it
        rise_k = s.compressor_k - 297.0
        taken_w = s.compressor_kg_s * 1005.0 * larger(rise_k, 0.0) / _BELT
        lost_nm += taken_w / turns_rad_s
    s.torque_nm = made_nm - lost_nm
    d.work_kj = larger(made_nm - lost_nm, 0.0) * turns_rad_s * 1e-3
    load = s.manifold_kpa / (k.ambient_kpa + larger(k.peak_kpa, 0.0))
    gas_k = 780.0 + 190.0 * smaller(load, 1.1) + s.heat_rise_k
    # Rich mixture cools it.
    gas_k += _LEANER_K * (clamp(s.lambda_ratio, 0.7, 1.0) - FULL_LOAD_LAMBDA)
    if s.petrol_kg_s <= 0.0:
        gas_k = 500.0
    d.exhaust_k = (gas_k - s.exhaust_k) / _GAS_S
    d.exhaust_c = (s.exhaust_k - 273.15 - s.exhaust_c) / _METAL_S
    d.seen_lambda = (s.lambda_ratio - s.seen_lambda) / _PROBE_S


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
