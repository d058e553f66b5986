"""Ignition timing, and knock one combustion at a time.

The engine controller sets the tune's timing less what it holds back, less its own knock retard,
less the retard the failsafe asks for, as far as the exhaust's heat allows.
"""

from collections.abc import Sequence
from math import floor
from typing import Final

from rules.step.arithmetic import clamp, interpolate_map, larger, smaller
from simulator.plant.air import ZERO_C_K
from simulator.plant.autoignition import dose_to_ignite_ms, end_gas, knock_intensity
from simulator.plant.combustion import (
    best_torque_btdc_deg,
    blend_octane,
    burn_duration_deg,
    exhaust_rise_k,
    ivc_temperature_k,
    residual_share,
    rich_octane_on,
    torque_share,
    water_octane_on,
)
from simulator.plant.constants import N_TUNE_BOOST, N_TUNE_SPEED, Constants
from simulator.plant.evaporation import in_cylinder_drop_k
from simulator.plant.state import State

KNOCKING: Final = 0.3  # intensity the controller's sensor hears
HEAVY: Final = 1.5  # intensity that hurts; common practice, no source
_RAISE_DEG: Final = 0.8  # the controller's retard for a cycle in which it hears knock
_HOLD_S: Final = 0.25
_RELEASE_DEG_S: Final = 3.0
_TIP_IN_QUICK_S: Final = 0.03
_TIP_IN_S: Final = 0.25
_TIP_IN_DEG: Final = 5.0
_TIP_IN_PER_KPA_S: Final = 0.02
_CYCLE_SPREAD: Final = 0.045  # of burn duration, one standard deviation; common practice
_TRIFLE_ML_MIN: Final = 5.0
_UNEVEN: Final = 0.05  # how far cylinders differ in spray
_UNEVEN_WEAK: Final = 0.45  # and how much more where the spray is weak
_TOO_HOT_C: Final = 950.0  # of the exhaust manifold; common practice, no source
_AT_LIMIT_DEG: Final = 24.0
_GIVES_WAY_DEG_K: Final = 0.4
_HEAT_LEAVES_DEG: Final = 4.0


def conditions(
    k: Constants,
    speed_rpm: float,
    manifold_kpa: float,
    back_kpa: float,
    charge_c: float,
    walls_k: float,
    exhaust_k: float,
    lambda_ratio: float,
    petrol_kg_kg: float,
    water_kg_kg: float,
    methanol_kg_kg: float,
    liquid_water_kg_kg: float,
    liquid_methanol_kg_kg: float,
) -> tuple[float, float, float]:
    """Return what decides a combustion: temperature at valve closing, burn duration, octane.

    Args:
        k: Constants.
        speed_rpm: Engine speed, > 0.
        manifold_kpa: Absolute.
        back_kpa: Exhaust back pressure, absolute.
        charge_c: Charge in the intake, degC.
        walls_k: Ports and cylinder, kelvin.
        exhaust_k: Exhaust gas, kelvin.
        lambda_ratio: Of petrol and methanol together.
        petrol_kg_kg: Petrol, kg per kg of air; likewise the rest.
        water_kg_kg: All the water.
        methanol_kg_kg: All the methanol.
        liquid_water_kg_kg: Water still liquid at the valve.
        liquid_methanol_kg_kg: Methanol still liquid at the valve.

    Returns:
        Kelvin, degrees, octane number.
    """
    drop_k = in_cylinder_drop_k(liquid_water_kg_kg, liquid_methanol_kg_kg, k.in_cylinder)
    charge_k = charge_c + ZERO_C_K
    residual_k = 0.9 * exhaust_k
    residual = residual_share(manifold_kpa, back_kpa, charge_k, residual_k, k.compression)
    at_closing_k = ivc_temperature_k(charge_k, walls_k, residual, residual_k, drop_k)
    burn_deg = burn_duration_deg(speed_rpm, lambda_ratio, water_kg_kg)
    octane = blend_octane(k.petrol_octane, methanol_kg_kg / larger(petrol_kg_kg, 1e-3))
    octane += water_octane_on(water_kg_kg) + rich_octane_on(lambda_ratio)
    return at_closing_k, burn_deg, octane


def tuned_deg(k: Constants, boost_kpa: float, speed_rpm: float) -> float:
    """Return the tune's timing with healthy spray, degrees before top dead centre."""
    return interpolate_map(
        boost_kpa, speed_rpm, k.tune_kpa, N_TUNE_BOOST, k.tune_rpm, N_TUNE_SPEED, k.tune_deg
    )


def spark(k: Constants, s: State) -> None:
    """Set the timing of this step, and what it leaves of torque and adds to the exhaust's heat."""
    # While boost rises fast the tune holds timing back, as the spray is still on its way.
    rise_kpa_s = larger(0.0, s.boost_kpa - s.sensed_boost_kpa) / 0.01
    tip_in = smaller(_TIP_IN_DEG, _TIP_IN_PER_KPA_S * rise_kpa_s)
    slow_s = _TIP_IN_QUICK_S if tip_in > s.tip_in_deg else _TIP_IN_S
    s.tip_in_deg += k.dt_s / slow_s * (tip_in - s.tip_in_deg)
    over_k = larger(0.0, s.exhaust_c - _TOO_HOT_C)
    s.heat_limit_deg = larger(_HEAT_LEAVES_DEG, _AT_LIMIT_DEG - _GIVES_WAY_DEG_K * over_k)
    asked = s.retard_deg * (1.0 - s.retard_ignored)
    retard = smaller(asked + s.knock_deg, larger(s.heat_limit_deg, s.knock_deg))
    s.done_deg = retard - s.knock_deg
    tuned = tuned_deg(k, s.sensed_boost_kpa, s.speed_rpm)
    s.spark_deg = tuned - s.tip_in_deg - retard
    behind = s.best_deg - s.spark_deg
    s.torque_share = torque_share(behind)
    s.heat_rise_k = exhaust_rise_k(behind)


def fire(k: Constants, s: State, cycles: Sequence[float], dt_s: float) -> None:
    """Advance the crank; where a cylinder fires, see whether it knocks.

    Args:
        k: Constants.
        s: State; knock retard, harm and counts are put into it.
        cycles: Unit normal deviates, one for each combustion, from ``cycle_at`` on.
        dt_s: Step, seconds.
    """
    due = s.due_ml_min
    short = due - s.nozzle_ml_min
    s.missing = short / due if due > _TRIFLE_ML_MIN and short > _TRIFLE_ML_MIN else 0.0
    s.knock_hold_s -= dt_s
    if s.knock_hold_s <= 0.0:
        s.knock_deg = larger(0.0, s.knock_deg - _RELEASE_DEG_S * dt_s)
    s.engine_phase += k.cylinders * s.speed_rpm / 120.0 * dt_s
    while s.engine_phase >= 1.0:
        s.engine_phase -= 1.0
        _combust(k, s, cycles)


def _combust(k: Constants, s: State, cycles: Sequence[float]) -> None:
    """Burn one cylinder's charge."""
    s.events += 1.0
    normal = cycles[s.cycle_at]
    s.cycle_at += 1
    air_kg_s = larger(s.air_kg_s, 1e-3)
    cylinders = k.cylinders
    number = s.events - cylinders * floor(s.events / cylinders)
    place = 0.0 if cylinders < 2.0 else 2.0 * number / (cylinders - 1.0) - 1.0
    # Knock begins in the worst-served cylinder, and a weak spray is also spread less evenly.
    served = larger(0.0, 1.0 - place * (_UNEVEN + _UNEVEN_WEAK * s.missing)) / air_kg_s
    liquid_water = served * s.liquid_water_kg_s
    liquid_methanol = served * s.liquid_methanol_kg_s
    closing_k, burn_deg, octane = conditions(
        k,
        s.speed_rpm,
        s.manifold_kpa,
        s.back_kpa,
        s.dry_c - served * air_kg_s * s.drop_k,
        s.wall_c + ZERO_C_K,
        s.exhaust_k,
        s.lambda_ratio,
        s.petrol_kg_s / air_kg_s,
        liquid_water + served * s.vapour_water_kg_s,
        liquid_methanol + served * s.vapour_methanol_kg_s,
        liquid_water,
        liquid_methanol,
    )
    s.best_deg = best_torque_btdc_deg(burn_deg)
    if s.boost_kpa < k.knock_from_kpa or s.petrol_kg_s <= 0.0:
        return
    burn_deg = burn_deg * clamp(1.0 + _CYCLE_SPREAD * normal, 0.8, 1.2)
    unburnt, _, _, _ = end_gas(
        s.speed_rpm,
        s.manifold_kpa,
        closing_k,
        s.spark_deg,
        burn_deg,
        k.compression,
        dose_to_ignite_ms(octane),
    )
    if unburnt <= 0.0:
        return
    intensity = knock_intensity(unburnt, s.manifold_kpa)
    if intensity > s.intensity:
        s.intensity = intensity
    if intensity > KNOCKING:
        s.harm += intensity
        s.knocks += 1.0
        if intensity > HEAVY:
            s.heavy_knocks += 1.0
        if s.knock_hold_s <= _HOLD_S - 120.0 / s.speed_rpm:
            s.knock_deg = smaller(k.most_knock_deg, s.knock_deg + _RAISE_DEG)
            s.knock_hold_s = _HOLD_S
