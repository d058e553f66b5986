"""Ignition timing, and knock one combustion at a time.

The engine controller sets the tune's timing less what it holds back, less its own knock retard,
less the retard the failsafe asks for, as far as the exhaust's heat allows.
"""

from math import floor
from typing import Final

from rules.step.arithmetic import clamp, larger, smaller
from rules.step.vector import Vector
from simulator.plant.air import ZERO_C_K
from simulator.plant.autoignition import knock_event, knock_intensity
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
from simulator.plant.evaporation import in_cylinder_drop_k
from simulator.plant.interpolation import interpolate_map
from simulator.plant.layout import (
    K_COMPRESSION,
    K_CYLINDERS,
    K_IN_CYLINDER,
    K_MOST_KNOCK_DEG,
    K_PETROL_OCTANE,
    K_TUNE_BOOST,
    K_TUNE_DEG,
    K_TUNE_SPEED,
    N_TUNE_BOOST,
    N_TUNE_SPEED,
    S_AIR_KG_S,
    S_BACK_KPA,
    S_BEST_DEG,
    S_BOOST_KPA,
    S_CYCLE_AT,
    S_DONE_DEG,
    S_DROP_K,
    S_DRY_C,
    S_DUE,
    S_ENGINE_PHASE,
    S_EVENTS,
    S_EXHAUST_K,
    S_HARM,
    S_HEAT_LIMIT_DEG,
    S_HEAT_RISE_K,
    S_HEAVY_KNOCKS,
    S_HOT_C,
    S_INTENSITY,
    S_KNOCK_DEG,
    S_KNOCK_HOLD_S,
    S_KNOCKS,
    S_LAMBDA,
    S_LIQUID_METHANOL,
    S_LIQUID_WATER,
    S_MANIFOLD_KPA,
    S_MISSING,
    S_NOZZLE,
    S_PETROL_KG_S,
    S_RETARD_DEG,
    S_SENSED_BOOST,
    S_SPARK_DEG,
    S_SPEED_RPM,
    S_TIP_IN_DEG,
    S_TORQUE_SHARE,
    S_VAPOUR_METHANOL,
    S_VAPOUR_WATER,
    S_WALL_C,
    X_NO_RETARD,
)

KNOCKING: Final = 0.3  # intensity the controller's sensor hears
HEAVY: Final = 1.5  # intensity that hurts; common practice, no source
_FAR_FROM_KNOCK_KPA: Final = -15.0  # gauge; below this no combustion is followed
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
    k: Vector,
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
    drop_k = in_cylinder_drop_k(liquid_water_kg_kg, liquid_methanol_kg_kg, k[K_IN_CYLINDER])
    charge_k = charge_c + ZERO_C_K
    residual_k = 0.9 * exhaust_k
    residual = residual_share(manifold_kpa, back_kpa, charge_k, residual_k, k[K_COMPRESSION])
    at_closing_k = ivc_temperature_k(charge_k, walls_k, residual, residual_k, drop_k)
    burn_deg = burn_duration_deg(speed_rpm, lambda_ratio, water_kg_kg)
    octane = blend_octane(k[K_PETROL_OCTANE], methanol_kg_kg / larger(petrol_kg_kg, 1e-3))
    octane += water_octane_on(water_kg_kg) + rich_octane_on(lambda_ratio)
    return at_closing_k, burn_deg, octane


def tuned_deg(k: Vector, boost_kpa: float, speed_rpm: float) -> float:
    """Return the tune's timing with healthy spray, degrees before top dead centre."""
    return interpolate_map(
        boost_kpa,
        speed_rpm,
        k,
        K_TUNE_BOOST,
        N_TUNE_BOOST,
        K_TUNE_SPEED,
        N_TUNE_SPEED,
        K_TUNE_DEG,
    )


def spark(k: Vector, s: Vector, dt_s: float) -> None:
    """Set the timing of this step, and what it leaves of torque and adds to the exhaust's heat.

    Args:
        k: Constants.
        s: State; results are put into it.
        dt_s: Step, seconds.
    """
    # While boost rises fast the tune holds timing back, as the spray is still on its way.
    rise_kpa_s = larger(0.0, s[S_BOOST_KPA] - s[S_SENSED_BOOST]) / 0.01
    tip_in = smaller(_TIP_IN_DEG, _TIP_IN_PER_KPA_S * rise_kpa_s)
    slow_s = _TIP_IN_QUICK_S if tip_in > s[S_TIP_IN_DEG] else _TIP_IN_S
    s[S_TIP_IN_DEG] += dt_s / slow_s * (tip_in - s[S_TIP_IN_DEG])
    over_k = larger(0.0, s[S_HOT_C] - _TOO_HOT_C)
    s[S_HEAT_LIMIT_DEG] = larger(_HEAT_LEAVES_DEG, _AT_LIMIT_DEG - _GIVES_WAY_DEG_K * over_k)
    asked = s[S_RETARD_DEG] * (1.0 - s[X_NO_RETARD])
    retard = smaller(asked + s[S_KNOCK_DEG], larger(s[S_HEAT_LIMIT_DEG], s[S_KNOCK_DEG]))
    s[S_DONE_DEG] = retard - s[S_KNOCK_DEG]
    tuned = tuned_deg(k, s[S_SENSED_BOOST], s[S_SPEED_RPM])
    s[S_SPARK_DEG] = tuned - s[S_TIP_IN_DEG] - retard
    behind = s[S_BEST_DEG] - s[S_SPARK_DEG]
    s[S_TORQUE_SHARE] = torque_share(behind)
    s[S_HEAT_RISE_K] = exhaust_rise_k(behind)


def fire(k: Vector, s: Vector, cycles: Vector, dt_s: float) -> None:
    """Advance the crank; where a cylinder fires, see whether it knocks.

    Args:
        k: Constants.
        s: State; knock retard, harm and counts are put into it.
        cycles: Unit normal deviates, one for each combustion, from ``S_CYCLE_AT`` on.
        dt_s: Step, seconds.
    """
    due = s[S_DUE]
    short = due - s[S_NOZZLE]
    s[S_MISSING] = short / due if due > _TRIFLE_ML_MIN and short > _TRIFLE_ML_MIN else 0.0
    s[S_KNOCK_HOLD_S] -= dt_s
    if s[S_KNOCK_HOLD_S] <= 0.0:
        s[S_KNOCK_DEG] = larger(0.0, s[S_KNOCK_DEG] - _RELEASE_DEG_S * dt_s)
    s[S_ENGINE_PHASE] += k[K_CYLINDERS] * s[S_SPEED_RPM] / 120.0 * dt_s
    while s[S_ENGINE_PHASE] >= 1.0:
        s[S_ENGINE_PHASE] -= 1.0
        _combust(k, s, cycles)


def _combust(k: Vector, s: Vector, cycles: Vector) -> None:
    """Burn one cylinder's charge."""
    s[S_EVENTS] += 1.0
    normal = cycles[int(s[S_CYCLE_AT])]
    s[S_CYCLE_AT] += 1.0
    air_kg_s = larger(s[S_AIR_KG_S], 1e-3)
    cylinders = k[K_CYLINDERS]
    number = s[S_EVENTS] - cylinders * floor(s[S_EVENTS] / cylinders)
    place = 0.0 if cylinders < 2.0 else 2.0 * number / (cylinders - 1.0) - 1.0
    # Knock begins in the worst-served cylinder, and a weak spray is also spread less evenly.
    served = larger(0.0, 1.0 - place * (_UNEVEN + _UNEVEN_WEAK * s[S_MISSING])) / air_kg_s
    liquid_water = served * s[S_LIQUID_WATER]
    liquid_methanol = served * s[S_LIQUID_METHANOL]
    closing_k, burn_deg, octane = conditions(
        k,
        s[S_SPEED_RPM],
        s[S_MANIFOLD_KPA],
        s[S_BACK_KPA],
        s[S_DRY_C] - served * air_kg_s * s[S_DROP_K],
        s[S_WALL_C] + ZERO_C_K,
        s[S_EXHAUST_K],
        s[S_LAMBDA],
        s[S_PETROL_KG_S] / air_kg_s,
        liquid_water + served * s[S_VAPOUR_WATER],
        liquid_methanol + served * s[S_VAPOUR_METHANOL],
        liquid_water,
        liquid_methanol,
    )
    s[S_BEST_DEG] = best_torque_btdc_deg(burn_deg)
    if s[S_BOOST_KPA] < _FAR_FROM_KNOCK_KPA or s[S_PETROL_KG_S] <= 0.0:
        return
    burn_deg = burn_deg * clamp(1.0 + _CYCLE_SPREAD * normal, 0.8, 1.2)
    unburnt, _, _ = knock_event(
        s[S_SPEED_RPM],
        s[S_MANIFOLD_KPA],
        closing_k,
        s[S_SPARK_DEG],
        burn_deg,
        octane,
        k[K_COMPRESSION],
    )
    if unburnt <= 0.0:
        return
    intensity = knock_intensity(unburnt, s[S_MANIFOLD_KPA])
    if intensity > s[S_INTENSITY]:
        s[S_INTENSITY] = intensity
    if intensity > KNOCKING:
        s[S_HARM] += intensity
        s[S_KNOCKS] += 1.0
        if intensity > HEAVY:
            s[S_HEAVY_KNOCKS] += 1.0
        if s[S_KNOCK_HOLD_S] <= _HOLD_S - 120.0 / s[S_SPEED_RPM]:
            s[S_KNOCK_DEG] = smaller(k[K_MOST_KNOCK_DEG], s[S_KNOCK_DEG] + _RAISE_DEG)
            s[S_KNOCK_HOLD_S] = _HOLD_S
