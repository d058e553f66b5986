"""Combustion: how fast a charge burns, how warm it starts, and what retarded spark costs.

Free constants are fitted so that a common engine (1.8 L four, compression 9.5, 98 octane) comes
out as such engines do; where a figure is trade knowledge or memory, its function says so.
"""

from math import cos, exp, log, pi, sqrt
from typing import Final

from rules.step.arithmetic import clamp, larger

_ROD_RATIO: Final = 0.3  # crank radius over rod length
_WIEBE_A: Final = 6.908  # 99.9 % burnt at the end of the burn
_BURN_DEG: Final = 66.0  # whole burn at _BURN_RPM
_BURN_RPM: Final = 6000.0
_BURN_GROWTH: Final = 0.2  # turbulence grows with speed and nearly keeps pace
_FASTEST_LAMBDA: Final = 0.87
_SLOWING_BY_LAMBDA: Final = 2.5
_SLOWING_BY_DILUTION: Final = 3.0
_SLOWEST_RPM: Final = 800.0  # below it heat loss is held, not extrapolated
_HALF_BURNT_DEG: Final = 8.0
_HEAT_PICKUP: Final = 0.26  # of the way from charge to wall temperature, until the valve closes
_COLDEST_K: Final = 240.0
_TORQUE_LOSS: Final = 0.0004  # per degree squared
_LEAST_TORQUE: Final = 0.3
_RISE_K_DEG: Final = 9.5
_RISE_BEND_DEG: Final = 4.0
_HIGHEST_RISE_K: Final = 300.0

# Compression loses less heat the less time it has: exponent 1.30 at 2500 rpm, 1.33 at 6000.
_ADIABATIC_EXPONENT: Final = 1.3552
_EXPONENT_LOSS: Final = 3.5
# Temperature an adiabatic burn at constant volume would add: (kappa - 1) * heat / gas constant,
# 0.30 * 2.78 MJ/kg / 287 J/(kg K). Walls, leakage and incomplete burning take 36 % of it at
# 2500 rpm and 23 % at 6000.
_FLAME_RISE_K: Final = 2900.0
_HEAT_LOSS: Final = 18.0

# From memory: methanol 109 research octane; petrol about 100 g/mol.
_METHANOL_OCTANE: Final = 109.0
_PETROL_PER_METHANOL: Final = 100.0 / 32.04  # molar masses
_RICH_ON: Final = 2.0 * 14.6  # 2 octane numbers a unit of air-fuel ratio
_FITTED_LAMBDA: Final = 0.85
_WATER_ON: Final = 130.0  # per mass of air, for the first of it
_MOST_WATER_ON: Final = 4.0


def volume_ratio(crank_deg: float, compression_ratio: float) -> float:
    """Return the cylinder's volume over its clearance volume.

    Args:
        crank_deg: After top dead centre, -180 to 180.
        compression_ratio: 6 to 16.

    Returns:
        1 at top dead centre, the compression ratio at bottom dead centre.

    Source: slider-crank geometry, crank radius 0.3 of the rod (common practice, no source).
    """
    c = cos(crank_deg * (pi / 180.0))
    long = 1.0 / _ROD_RATIO
    return 1.0 + 0.5 * (compression_ratio - 1.0) * (
        1.0 + long - c - sqrt(long * long - 1.0 + c * c)
    )


def burnt_share(after_spark_deg: float, burn_deg: float) -> float:
    """Return the burnt mass fraction.

    Args:
        after_spark_deg: Crank degrees since the spark, any.
        burn_deg: Whole burn, > 0.

    Returns:
        0 to 1.

    Source: Wiebe's function; its constants are fitted within common practice (no source): 10 %
    burnt after 0.35 of the whole, half after 0.56, 90 % after 0.76.
    """
    if after_spark_deg <= 0.0:
        return 0.0
    part = after_spark_deg / burn_deg
    part = part * part
    return 1.0 - exp(-_WIEBE_A * part * part)


def until_burnt_deg(share: float, burn_deg: float) -> float:
    """Return the crank degrees from spark until a share is burnt.

    Args:
        share: 0 up to, not including, 1.
        burn_deg: Whole burn, > 0.

    Source: Wiebe's function, solved for the angle.
    """
    return burn_deg * sqrt(sqrt(-log(1.0 - share) / _WIEBE_A))


def burn_duration_deg(speed_rpm: float, lambda_ratio: float, dilution: float) -> float:
    """Return the whole burn (spark to 99.9 % burnt) in crank degrees.

    Args:
        speed_rpm: > 0.
        lambda_ratio: 0.6 to 1.4, held beyond.
        dilution: Water (and other inert mass) per mass of air, 0 to 0.1.

    Returns:
        About 55 at 2500 rpm and 66 at 6000; 6 % more with 20 g of water per kg of air; 4 % more
        at lambda 1 than at its fastest, 0.87.

    Source: common practice, no source.
    """
    off = clamp(lambda_ratio, 0.6, 1.4) - _FASTEST_LAMBDA
    slow = (1.0 + _SLOWING_BY_LAMBDA * off * off) * (1.0 + _SLOWING_BY_DILUTION * dilution)
    return float(_BURN_DEG * (speed_rpm / _BURN_RPM) ** _BURN_GROWTH * slow)


def compression_exponent(speed_rpm: float) -> float:
    """Return the polytropic exponent of compression.

    Args:
        speed_rpm: > 0, held below 800.

    Returns:
        1.23 to 1.32; 1.285 at 2500 rpm.

    Source: heat loss with the square root of the time there is; level fitted, common practice.
    """
    return _ADIABATIC_EXPONENT - _EXPONENT_LOSS / sqrt(larger(speed_rpm, _SLOWEST_RPM))


def flame_rise_k(speed_rpm: float) -> float:
    """Return what the burn adds to the charge's temperature, net of what the walls take.

    Over the charge's temperature at valve closing it is the pressure rise at constant volume in
    units of the pressure at valve closing, so it scales with the trapped mass.

    Args:
        speed_rpm: > 0, held below 800.

    Returns:
        Kelvin: 1860 at 2500 rpm, 2230 at 6000.

    Source: heating value over specific heat; losses fitted, common practice.
    """
    return _FLAME_RISE_K * (1.0 - _HEAT_LOSS / sqrt(larger(speed_rpm, _SLOWEST_RPM)))


def residual_share(
    ivc_kpa: float, exhaust_kpa: float, charge_k: float, residual_k: float, compression_ratio: float
) -> float:
    """Return the mass share of burnt gas left over from the cycle before.

    Args:
        ivc_kpa: At inlet valve closing, absolute, > 0.
        exhaust_kpa: Back pressure, absolute, > 0.
        charge_k: Fresh charge, > 0.
        residual_k: Burnt gas left over, > 0.
        compression_ratio: 6 to 16.

    Returns:
        0 to 0.4; about 0.03 where both pressures are equal.

    Source: ideal gas filling the clearance volume at exhaust pressure, no valve overlap.
    """
    share = exhaust_kpa / ivc_kpa * charge_k / (residual_k * compression_ratio)
    return clamp(share, 0.0, 0.4)


def ivc_temperature_k(
    charge_k: float, wall_k: float, residual: float, residual_k: float, evaporation_k: float
) -> float:
    """Return the trapped charge's temperature at inlet valve closing.

    Walls and burnt gas warm a cold charge more than a hot one, so the engine feels 0.7 to 0.8 K
    of each kelvin in the intake.

    Args:
        charge_k: In the intake, after what evaporated there.
        wall_k: Ports, valves and cylinder, 350 to 500; 430 fits at full load.
        residual: Mass share of burnt gas, 0 to 0.4.
        residual_k: Its temperature, 800 to 1300.
        evaporation_k: What liquid spray takes off the charge inside the cylinder, >= 0.

    Returns:
        Kelvin, at least 240.

    Source: mixing by mass at equal specific heats; the pick-up of 0.26 is fitted, common practice.
    """
    warmed = charge_k + _HEAT_PICKUP * (wall_k - charge_k)
    return larger((1.0 - residual) * warmed + residual * residual_k - evaporation_k, _COLDEST_K)


def best_torque_btdc_deg(burn_deg: float) -> float:
    """Return the spark advance for best torque: half burnt 8 degrees after top dead centre.

    Args:
        burn_deg: Whole burn, > 0.

    Source: common practice, no source.
    """
    return until_burnt_deg(0.5, burn_deg) - _HALF_BURNT_DEG


def torque_share(retard_from_best_deg: float) -> float:
    """Return torque over its best at this charge.

    Args:
        retard_from_best_deg: Any; negative is over-advanced, which costs the same.

    Returns:
        0.3 to 1: 0.99 at 5 degrees, 0.96 at 10, 0.84 at 20.

    Source: common practice, no source.
    """
    loss = _TORQUE_LOSS * retard_from_best_deg * retard_from_best_deg
    return larger(1.0 - loss, _LEAST_TORQUE)


def exhaust_rise_k(retard_from_best_deg: float) -> float:
    """Return how much hotter the exhaust gas is than at best torque.

    Args:
        retard_from_best_deg: Any; over-advanced counts as none.

    Returns:
        Kelvin, 0 to 300: 26 at 5 degrees, 68 at 10, 158 at 20.

    Source: common practice, no source: 8 to 10 K a degree beyond the first few.
    """
    if retard_from_best_deg <= 0.0:
        return 0.0
    r = retard_from_best_deg
    return clamp(_RISE_K_DEG * r * r / (r + _RISE_BEND_DEG), 0.0, _HIGHEST_RISE_K)


def blend_octane(petrol_octane: float, methanol_kg_per_kg_petrol: float) -> float:
    """Return the octane of petrol with methanol in it.

    Args:
        petrol_octane: Research octane, 80 to 110.
        methanol_kg_per_kg_petrol: >= 0.

    Returns:
        Between the petrol's and 109: 98 becomes 100.6 with a tenth of methanol. By volume that is
        a blending octane of 128, falling as the share grows.

    Source: linear in moles, common practice for alcohols; methanol's octane from memory.
    """
    moles = larger(methanol_kg_per_kg_petrol, 0.0) * _PETROL_PER_METHANOL
    gain = _METHANOL_OCTANE - petrol_octane
    return petrol_octane + larger(gain, 0.0) * moles / (1.0 + moles)


def rich_octane_on(lambda_ratio: float) -> float:
    """Return the octane numbers a mixture earns by being richer than lambda 0.85.

    Args:
        lambda_ratio: Held to 0.7 .. 1.

    Returns:
        -4.4 at lambda 1 to 4.4 at 0.7.

    Source: Russ, SAE 960497 (1996), 2 a unit of air-fuel ratio, at 14.6 stoichiometric. Reckoned
    from 0.85, where the constants here were fitted.
    """
    return _RICH_ON * (_FITTED_LAMBDA - clamp(lambda_ratio, 0.7, 1.0))


def water_octane_on(water_kg_per_kg_air: float) -> float:
    """Return the octane numbers water earns by diluting, beside cooling and slowing the burn.

    Args:
        water_kg_per_kg_air: Vapour and liquid, >= 0.

    Returns:
        0 to 4: 1.0 for 10 g/kg, 1.6 for 20.

    Source: about a third of what road tests found for humidity, 0.25 to 0.32 a gram per kg
    (B. Hamilton, Gasoline FAQ part 3, 1996, section 6), since the slower burn is reckoned apart;
    that it levels off is an assumption.
    """
    first = _WATER_ON * larger(water_kg_per_kg_air, 0.0)
    return _MOST_WATER_ON * first / (_MOST_WATER_ON + first)
