"""Knock, cycle by cycle: whether the gas ahead of the flame ignites by itself before it is burnt.

The end gas is compressed by the piston and the flame. Its reactions run at a rate that grows with
pressure and temperature; when their dose reaches what this fuel stands, it ignites at once.
"""

from math import exp, log
from typing import Final

from rules.step.arithmetic import larger
from simulator.plant.combustion import (
    best_torque_btdc_deg,
    burnt_share,
    compression_exponent,
    flame_rise_k,
    until_burnt_deg,
    volume_ratio,
)

_ATM_KPA: Final = 101.325
_PRESSURE_POWER: Final = 1.7
_ACTIVATION_K: Final = 3800.0
_DELAY_MS: Final = 17.68
_OCTANE_POWER: Final = 3.402

_FROM_DEG: Final = -40.0  # reactions before it do not count, unless the spark is earlier still
_STEPS_TO_SPARK: Final = 8  # always the same number, so that the dose has no jumps
_STEP_DEG: Final = 3.0  # widest step of the burn: within 0.05 degrees of spark of a fine one
_LAST_SHARE: Final = 0.95  # what the flame reaches after this is too little to be heard
_BURN_EXPONENT: Final = 1.27  # polytropic exponent of the whole charge while it burns

_BEYOND_BEST_DEG: Final = 10.0  # further advance burns before the piston is up: milder again
_LATEST_DEG: Final = -20.0
_HALVINGS: Final = 14

_AUDIBLE_SHARE: Final = 0.1
_AUDIBLE_KPA: Final = 200.0


def reaction_rate(log_p_atm: float, t_k: float) -> float:
    """Return how fast the end gas uses up what its fuel stands: p ** 1.7 * exp(-3800 / T).

    Args:
        log_p_atm: Natural logarithm of the pressure in atm.
        t_k: > 0.

    Source: Douaud & Eyzat, SAE 780080 (1978).
    """
    return exp(_PRESSURE_POWER * log_p_atm - _ACTIVATION_K / t_k)


def dose_to_ignite_ms(octane: float) -> float:
    """Return the dose of reaction (rate times milliseconds) at which this fuel ignites.

    Args:
        octane: > 0, fitted for 80 to 100.

    Source: Douaud & Eyzat, SAE 780080 (1978).
    """
    return float(_DELAY_MS * (octane / 100.0) ** _OCTANE_POWER)


def next_dose_ms(dose_ms: float, rate_before: float, rate_now: float, step_ms: float) -> float:
    """Return the dose one step on (trapezoid).

    Args:
        dose_ms: Before the step.
        rate_before: Reaction rate where the step begins.
        rate_now: Reaction rate where it ends.
        step_ms: >= 0.

    Source: Livengood & Wu, 5th Symp. (Int.) on Combustion (1955): shares of the delay add up.
    """
    return dose_ms + 0.5 * (rate_before + rate_now) * step_ms


def compression_dose_ms(
    speed_rpm: float,
    ivc_kpa: float,
    ivc_k: float,
    compression_ratio: float,
    exponent: float,
    from_deg: float,
    to_deg: float,
    steps: int,
) -> tuple[float, float]:
    """Return the dose over a stretch of compression before any flame, and the rate at its end.

    Args:
        speed_rpm: > 0.
        ivc_kpa: At inlet valve closing, as if at bottom dead centre, absolute, > 0.
        ivc_k: At inlet valve closing, > 0.
        compression_ratio: 6 to 16.
        exponent: Polytropic, 1.2 to 1.4.
        from_deg: After top dead centre, -180 to 180.
        to_deg: At least ``from_deg``.
        steps: At least 1.

    Returns:
        (dose in ms, rate at ``to_deg``).

    Source: polytropic compression in closed form.
    """
    step_deg = (to_deg - from_deg) / steps
    step_ms = step_deg / (0.006 * speed_rpm)
    log_ivc_atm = log(ivc_kpa / _ATM_KPA)
    dose = 0.0
    before = 0.0
    rate = 0.0
    for i in range(steps + 1):
        squeeze = log(compression_ratio / volume_ratio(from_deg + step_deg * i, compression_ratio))
        rate = reaction_rate(
            log_ivc_atm + exponent * squeeze, ivc_k * exp((exponent - 1.0) * squeeze)
        )
        if i > 0:
            dose = next_dose_ms(dose, before, rate, step_ms)
        before = rate
    return dose, rate


def end_gas(
    speed_rpm: float,
    ivc_kpa: float,
    ivc_k: float,
    spark_btdc_deg: float,
    burn_deg: float,
    compression_ratio: float,
    enough_ms: float,
) -> tuple[float, float, float, float]:
    """Follow the end gas from compression until 95 % is burnt, or it has had enough.

    The pressure is that of one zone: p * V ** n changes only by the heat of what burns. The end
    gas is compressed polytropically from the state at valve closing to that pressure.

    Args:
        speed_rpm: > 0.
        ivc_kpa: At inlet valve closing, as if at bottom dead centre, absolute, > 0.
        ivc_k: At inlet valve closing, > 0.
        spark_btdc_deg: -30 to 60.
        burn_deg: Whole burn, 10 to 120.
        compression_ratio: 6 to 16.
        enough_ms: Dose at which it ignites; infinite to follow the burn to its end.

    Returns:
        (unburnt share when it ignites or 0, degrees after top dead centre, kPa, dose): the last
        three where it ended.

    Source: first law for an ideal gas; Wiebe burn; Livengood & Wu (1955).
    """
    spark_deg = -spark_btdc_deg
    exponent = compression_exponent(speed_rpm)
    from_deg = spark_deg if spark_deg < _FROM_DEG else _FROM_DEG
    dose, before = compression_dose_ms(
        speed_rpm, ivc_kpa, ivc_k, compression_ratio, exponent, from_deg, spark_deg, _STEPS_TO_SPARK
    )
    heating = (exponent - 1.0) / exponent
    log_ivc_atm = log(ivc_kpa / _ATM_KPA)
    volume = volume_ratio(spark_deg, compression_ratio)
    p_kpa: float = ivc_kpa * (compression_ratio / volume) ** exponent
    # p * V ** n, and what the whole burn adds to it per V ** (n - 1)
    root: float = volume ** (_BURN_EXPONENT - 1.0)
    content = p_kpa * volume * root
    heat = ivc_kpa * compression_ratio * flame_rise_k(speed_rpm) / ivc_k

    whole_deg = until_burnt_deg(_LAST_SHARE, burn_deg)
    steps = int(whole_deg / _STEP_DEG) + 1
    step_deg = whole_deg / steps
    step_ms = step_deg / (0.006 * speed_rpm)
    burnt = 0.0
    for i in range(1, steps + 1):
        after_deg = step_deg * i
        p_before = p_kpa
        burnt_before = burnt
        root_before = root
        burnt = burnt_share(after_deg, burn_deg)
        volume = volume_ratio(spark_deg + after_deg, compression_ratio)
        root = volume ** (_BURN_EXPONENT - 1.0)
        content += heat * (burnt - burnt_before) * 0.5 * (root + root_before)
        p_kpa = content / (volume * root)
        log_p_atm = log(p_kpa / _ATM_KPA)
        rate = reaction_rate(log_p_atm, ivc_k * exp(heating * (log_p_atm - log_ivc_atm)))
        dose_before = dose
        dose = next_dose_ms(dose, before, rate, step_ms)
        before = rate
        if dose >= enough_ms:
            part = 0.0  # it had enough before the spark
            if dose_before < enough_ms:
                part = (enough_ms - dose_before) / (dose - dose_before)
            at_deg = after_deg - step_deg * (1.0 - part)
            share = 1.0 - burnt_share(at_deg, burn_deg)
            return share, spark_deg + at_deg, p_before + part * (p_kpa - p_before), enough_ms
    return 0.0, spark_deg + whole_deg, p_kpa, dose


def borderline_btdc_deg(
    speed_rpm: float,
    ivc_kpa: float,
    ivc_k: float,
    burn_deg: float,
    octane: float,
    compression_ratio: float,
) -> float:
    """Return the spark advance at which the end gas just ignites, 5 % of it being left.

    Units and ranges are those of ``end_gas``; octane > 0.

    Returns:
        Degrees before top dead centre, within 0.01; -20 where it knocks all the same, 10 beyond
        best torque where it never does.

    Source: bisection on ``end_gas``.
    """
    quiet = _LATEST_DEG
    knocking = best_torque_btdc_deg(burn_deg) + _BEYOND_BEST_DEG
    enough_ms = dose_to_ignite_ms(octane)
    for _ in range(_HALVINGS):
        middle = 0.5 * (quiet + knocking)
        event = end_gas(speed_rpm, ivc_kpa, ivc_k, middle, burn_deg, compression_ratio, enough_ms)
        if event[0] > 0.0:
            knocking = middle
        else:
            quiet = middle
    return quiet


def knock_intensity(unburnt_share: float, ivc_kpa: float) -> float:
    """Return how hard a knock is, 1 being clearly audible.

    Args:
        unburnt_share: At onset, 0 to 1; 0 is none.
        ivc_kpa: At inlet valve closing, absolute, >= 0.

    Returns:
        0 up to 5 % unburnt; 1 at 15 % and 200 kPa; in proportion to the share above 5 % and to the
        charge's density, since both set the heat that is set free at once.

    Source: common practice, no source.
    """
    above = larger(unburnt_share - (1.0 - _LAST_SHARE), 0.0)
    return above / _AUDIBLE_SHARE * (ivc_kpa / _AUDIBLE_KPA)
