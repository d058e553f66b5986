"""How spray evaporates in air and cools it: drops, time, saturation. Physics alone, no car in it.

How they go together: ``evaporated_share`` says how much of the liquid has the time to evaporate by
the sensor or the valve, ``charge_after``, offered that much, where it leaves the charge (saturated
at most), ``in_cylinder_drop_k`` what the liquid left over does later.

Simplifications: what doesn't evaporate keeps the temperature it was sprayed at; vapour the air
brought along never condenses, in the intercooler or on the spray; no heat of mixing.
"""

from math import exp, log, sqrt
from typing import Final

from rules.step.arithmetic import clamp, larger, smaller
from simulator.plant.mixture import (
    AIR_G_MOL,
    METHANOL_G_MOL,
    METHANOL_LATENT_25_KJ_KG,
    METHANOL_LIQUID_KJ_KG_K,
    METHANOL_VAPOUR_KJ_KG_K,
    WATER_G_MOL,
    WATER_LIQUID_KJ_KG_K,
    WATER_VAPOUR_AT_ZERO_KJ_KG,
    WATER_VAPOUR_KJ_KG_K,
    ZERO_C_K,
    laar_share,
    ln_methanol_activity,
    ln_methanol_kpa,
    ln_methanol_slope,
    ln_water_activity,
    ln_water_kpa,
    ln_water_slope,
    share_out,
    share_out_methanol,
)

AIR_KJ_KG_K: Final = 1.006  # ASHRAE Handbook Fundamentals, chapter 1
COLDEST_C: Final = -20.0  # the charge is never cooled further
_WATER: Final = WATER_G_MOL / AIR_G_MOL  # kg per kg of dry air for 1 mol per mol
_METHANOL: Final = METHANOL_G_MOL / AIR_G_MOL
_METHANOL_AT_ZERO_KJ_KG: Final = METHANOL_LATENT_25_KJ_KG + 25.0 * (
    METHANOL_LIQUID_KJ_KG_K - METHANOL_VAPOUR_KJ_KG_K
)
_NEAR_K: Final = 0.1  # a step this short leaves an error of a few thousandths of a kelvin
_NEAR_MIX: Final = 0.002  # van Laar share: about 0.01 K
_MOST_STEPS: Final = 25
_NOTHING: Final = 1e-9

_SLIP_M_S: Final = 5.0  # between drops and stirred air; common practice, no source
_WATER_25_KJ_KG: Final = 2441.7  # IAPWS-95
_LARGEST_UM: Final = 500.0


def droplet_um(
    pressure_drop_kpa: float,
    nozzle_g_s: float,
    viscosity_mpa_s: float,
    surface_mn_m: float,
    air_kg_m3: float,
) -> float:
    """Return the Sauter mean diameter from one hollow-cone swirl nozzle, in um, 500 at most.

    A nozzle's own flow grows with the root of pressure, so its drops shrink with dp^-0.375.

    Args:
        pressure_drop_kpa: Line less manifold, kPa; below 0.1 nothing is atomised.
        nozzle_g_s: Flow of this one nozzle, g/s, >= 0.
        viscosity_mpa_s: Of the liquid, mPa s, > 0.
        surface_mn_m: Its surface tension, mN/m, > 0.
        air_kg_m3: Density of the charge, > 0.

    Source: Lefebvre, Atomization and Sprays (1989), pressure-swirl nozzles, SI, from memory:
    2.25 (sigma mu m / (dp^2 rho_air))^0.25.
    """
    if pressure_drop_kpa < 0.1:
        return _LARGEST_UM
    # 1e9 turns the three milli-units and kPa squared into SI, and metres to the fourth into um.
    squared = air_kg_m3 * pressure_drop_kpa * pressure_drop_kpa
    fourth = 1e9 * surface_mn_m * viscosity_mpa_s * nozzle_g_s / squared
    return smaller(2.25 * sqrt(sqrt(fourth)), _LARGEST_UM)


def drop_c(
    charge_c: float, pressure_kpa: float, humidity_kg_kg: float, methanol_share: float
) -> float:
    """Return the temperature a drop settles at while it evaporates, in degC (its wet bulb).

    The drop keeps its mix, as liquid diffuses too slowly for methanol to leave it first within
    tens of milliseconds. Its equation is solved to 0.2 K.

    Args:
        charge_c: Of the gas round the drop, degC, 0 to 150.
        pressure_kpa: Absolute, kPa, 60 to 350.
        humidity_kg_kg: Vapour in that gas, kg per kg of dry air, 0 to 0.03.
        methanol_share: Of the drop, by mass, 0 to 1.

    Source: heat to the drop pays for what its surface gives off, Lewis number 1 (adiabatic
    saturation); van Laar activities.
    """
    methanol = methanol_share / METHANOL_G_MOL
    water = (1.0 - methanol_share) / WATER_G_MOL
    laar = laar_share(methanol, water)
    methanol_part = methanol / (methanol + water) * exp(ln_methanol_activity(laar))
    water_part = water / (methanol + water) * exp(ln_water_activity(laar))
    latent = _latent_25_kj_kg(methanol_share)
    heat = AIR_KJ_KG_K + WATER_VAPOUR_KJ_KG_K * humidity_kg_kg
    # A plane fitted to the answers, then two steps.
    t = -6.8 + 0.22 * charge_c + 0.078 * pressure_kpa + 410.0 * humidity_kg_kg
    t = clamp(t - 17.4 * methanol_share, COLDEST_C, larger(charge_c - 1.0, COLDEST_C))
    for _ in range(2):
        kelvin = t + ZERO_C_K
        methanol_kpa = methanol_part * exp(ln_methanol_kpa(kelvin))
        water_kpa = water_part * exp(ln_water_kpa(kelvin))
        air_kpa = larger(pressure_kpa - methanol_kpa - water_kpa, 0.1 * pressure_kpa)
        methanol_gain = methanol_kpa * ln_methanol_slope(kelvin)
        water_gain = water_kpa * ln_water_slope(kelvin)
        taken = latent * (_METHANOL * methanol_kpa + _WATER * water_kpa) / air_kpa
        slope = latent * (_METHANOL * methanol_gain + _WATER * water_gain) / air_kpa
        slope += taken * (methanol_gain + water_gain) / air_kpa
        have = heat * (charge_c - t) + latent * humidity_kg_kg
        t += _step_k(have, taken, heat, slope)
    return t


def evaporated_share(
    droplet_um: float,
    residence_s: float,
    charge_c: float,
    pressure_kpa: float,
    humidity_kg_kg: float,
    methanol_share: float,
) -> float:
    """Return the share of the sprayed liquid that has evaporated after a time, 0 to 1.

    Water and methanol leave in proportion, see ``drop_c``; small drops first, the largest last.

    Args:
        droplet_um: Sauter mean diameter, um, > 0.
        residence_s: From nozzle to sensor, or to valve, seconds, >= 0.
        charge_c: Of the gas the drops see (half way between dry and cooled), degC, 0 to 150.
        pressure_kpa: Absolute, kPa, 60 to 350.
        humidity_kg_kg: Vapour in that gas, kg per kg of dry air, 0 to 0.03.
        methanol_share: Of the liquid, by mass, 0 to 1.

    Source: d-squared law (Godsave, Spalding) with Spalding's transfer number; Ranz and Marshall
    (1952) for drops that slip by 5 m/s through stirred air (common practice, no source); over a
    Rosin-Rammler spread of exponent 2.5 (common for such nozzles: Lefebvre 1989), whose integral
    the last line fits to 0.003.
    """
    surface_c = drop_c(charge_c, pressure_kpa, humidity_kg_kg, methanol_share)
    if surface_c >= charge_c or residence_s <= 0.0:
        return 0.0
    film_c = 0.5 * (surface_c + charge_c)
    conductivity_w_m_k = 0.0241 + 7.2e-5 * film_c  # dry air, like the next; fitted near 40 degC
    viscosity_pa_s = 1.72e-5 + 4.8e-8 * film_c
    liquid_kg_m3 = 996.0 - 211.0 * methanol_share  # of no account here that a mix shrinks
    gas_kg_m3 = pressure_kpa / (0.28705 * (film_c + ZERO_C_K))
    reynolds = 1e-6 * gas_kg_m3 * _SLIP_M_S * droplet_um / viscosity_pa_s
    stirred = 1.0 + 0.27 * sqrt(reynolds)  # 0.3 times the cube root of air's Prandtl number
    transfer = log(1.0 + AIR_KJ_KG_K * (charge_c - surface_c) / _latent_25_kj_kg(methanol_share))
    shrink_m2_s = 8.0 * conductivity_w_m_k * transfer / (liquid_kg_m3 * 1e3 * AIR_KJ_KG_K)
    lives = 1e12 * shrink_m2_s * stirred * residence_s / (droplet_um * droplet_um)
    return 1.0 - exp(-1.26 * lives**0.85)


def cooled_c(
    dry_c: float,
    water_kg_kg: float,
    methanol_kg_kg: float,
    humidity_kg_kg: float,
    liquid_c: float,
) -> float:
    """Return the charge's temperature once these amounts have evaporated into it, in degC.

    Args:
        dry_c: Charge before the spray, degC.
        water_kg_kg: Water that evaporates, kg per kg of dry air.
        methanol_kg_kg: Methanol that evaporates, likewise.
        humidity_kg_kg: Vapour the air brought along, likewise.
        liquid_c: Liquid as sprayed, degC.

    Source: adiabatic balance with ASHRAE moist-air enthalpies and methanol's latent heat; linear
    in temperature, so solved outright.
    """
    heat = AIR_KJ_KG_K + WATER_VAPOUR_KJ_KG_K * humidity_kg_kg
    left = heat * dry_c - water_kg_kg * _water_base_kj_kg(liquid_c)
    left -= methanol_kg_kg * _methanol_base_kj_kg(liquid_c)
    gained = WATER_VAPOUR_KJ_KG_K * water_kg_kg + METHANOL_VAPOUR_KJ_KG_K * methanol_kg_kg
    return left / (heat + gained)


def charge_after(
    dry_c: float,
    pressure_kpa: float,
    water_kg_kg: float,
    methanol_kg_kg: float,
    humidity_kg_kg: float,
    liquid_c: float,
    guess_c: float,
    guess_water_kg_kg: float,
    guess_methanol_kg_kg: float,
) -> tuple[float, float, float]:
    """Return charge temperature, water and methanol evaporated where the spray has run its course.

    All evaporates, or as much as brings vapour to the liquid's own pressure; boost brings that
    closer. Energy balances to rounding; the amounts are good to what 0.02 K is worth.

    Args:
        dry_c: Charge before the spray, degC, -20 to 200.
        pressure_kpa: Absolute, kPa, > 20.
        water_kg_kg: Liquid water offered, kg per kg of dry air, 0 to 0.2.
        methanol_kg_kg: Liquid methanol offered, likewise.
        humidity_kg_kg: Vapour the air brought along, 0 to 0.05.
        liquid_c: Liquid as sprayed, degC, -20 to 80.
        guess_c: What the last call returned, or ``dry_c``: it saves steps, no more.
        guess_water_kg_kg: The same, or nought.
        guess_methanol_kg_kg: The same, or nought.

    Returns:
        Charge in degC, water and methanol that evaporated in kg per kg of dry air.

    Source: ASHRAE enthalpies; vapour and liquid in equilibrium beside air as in a flash drum
    (Rachford-Rice), modified Raoult's law with van Laar activities.
    """
    if water_kg_kg + methanol_kg_kg < _NOTHING or dry_c <= COLDEST_C:
        return dry_c, 0.0, 0.0
    all_c = cooled_c(dry_c, water_kg_kg, methanol_kg_kg, humidity_kg_kg, liquid_c)
    water = (water_kg_kg + humidity_kg_kg) / _WATER  # mol per mol of dry air, with the vapour
    methanol = methanol_kg_kg / _METHANOL
    # The liquid's mix: as the guess left it, else as fed.
    methanol_left = larger(methanol_kg_kg - guess_methanol_kg_kg, 0.0) / _METHANOL
    water_left = larger(water_kg_kg - guess_water_kg_kg, 0.0) / _WATER
    if methanol_left + water_left <= 0.0:
        methanol_left, water_left = methanol, water
    if all_c > COLDEST_C:
        kelvin = all_c + ZERO_C_K
        methanol_dew = methanol * pressure_kpa * exp(-ln_methanol_kpa(kelvin))
        water_dew = water * pressure_kpa * exp(-ln_water_kpa(kelvin))
        # Activities only help, so what is dry without them is dry.
        if water_dew + methanol_dew <= 1.0 + water + methanol:
            return smaller(dry_c, all_c), water_kg_kg, methanol_kg_kg
    both = water_kg_kg > 0.0 and methanol_kg_kg > 0.0
    tried = both and guess_water_kg_kg <= 0.0 and guess_methanol_kg_kg > 0.0
    coldest_c = larger(all_c, COLDEST_C)
    start_c = guess_c if coldest_c < guess_c < dry_c else 0.5 * (coldest_c + dry_c)
    water_out, methanol_out = _settle(
        dry_c,
        pressure_kpa,
        water_kg_kg,
        methanol_kg_kg,
        humidity_kg_kg,
        liquid_c,
        coldest_c,
        start_c,
        laar_share(methanol_left, water_left),
        tried,
    )
    end_c = smaller(dry_c, cooled_c(dry_c, water_out, methanol_out, humidity_kg_kg, liquid_c))
    if end_c >= COLDEST_C:
        return end_c, water_out, methanol_out
    wanted = water_out * (_water_base_kj_kg(liquid_c) + WATER_VAPOUR_KJ_KG_K * COLDEST_C)
    wanted += methanol_out * (_methanol_base_kj_kg(liquid_c) + METHANOL_VAPOUR_KJ_KG_K * COLDEST_C)
    heat = AIR_KJ_KG_K + WATER_VAPOUR_KJ_KG_K * humidity_kg_kg
    part = heat * (dry_c - COLDEST_C) / wanted
    return COLDEST_C, part * water_out, part * methanol_out


def in_cylinder_drop_k(water_kg_kg: float, methanol_kg_kg: float, effective_share: float) -> float:
    """Return how far liquid that passes the valve cools the charge before combustion, in kelvin.

    Args:
        water_kg_kg: Liquid water at the valve, kg per kg of dry air, 0 to 0.2.
        methanol_kg_kg: Liquid methanol, likewise.
        effective_share: What evaporates in the gas, 0 to 1 (about 0.5 to 0.8; common practice, no
            source); the rest wets walls and draws its heat from them.

    Source: latent heats at 25 degC over the heat capacity of air and vapour at constant pressure.
    """
    water = effective_share * water_kg_kg
    methanol = effective_share * methanol_kg_kg
    taken = _WATER_25_KJ_KG * water + METHANOL_LATENT_25_KJ_KG * methanol
    gained = WATER_VAPOUR_KJ_KG_K * water + METHANOL_VAPOUR_KJ_KG_K * methanol
    return taken / (AIR_KJ_KG_K + gained)


def _settle(
    dry_c: float,
    pressure_kpa: float,
    water_kg_kg: float,
    methanol_kg_kg: float,
    humidity_kg_kg: float,
    liquid_c: float,
    coldest_c: float,
    start_c: float,
    start_laar: float,
    tried: bool,
) -> tuple[float, float]:
    """Return the water and methanol that evaporate where some liquid stays, kg per kg of dry air.

    A Newton search for the temperature that brings the liquid's mix along. The first six arguments
    are those of ``charge_after``; the answer lies between ``coldest_c`` and ``dry_c``. The search
    begins at ``start_c`` and this van Laar share of the liquid, and with water inert (neither
    evaporating nor condensing) where ``tried``.
    """
    water = (water_kg_kg + humidity_kg_kg) / _WATER
    methanol = methanol_kg_kg / _METHANOL
    liquid = water_kg_kg / _WATER
    gas = 1.0 + humidity_kg_kg / _WATER
    heat = AIR_KJ_KG_K + WATER_VAPOUR_KJ_KG_K * humidity_kg_kg
    water_base = _water_base_kj_kg(liquid_c)
    methanol_base = _methanol_base_kj_kg(liquid_c)
    inert = tried or water_kg_kg <= 0.0
    t = start_c
    laar = start_laar
    water_out = 0.0
    methanol_out = 0.0
    for _ in range(_MOST_STEPS):
        if inert and methanol_kg_kg <= 0.0:
            return 0.0, 0.0
        kelvin = t + ZERO_C_K
        methanol_k = exp(ln_methanol_kpa(kelvin) + ln_methanol_activity(laar)) / pressure_kpa
        methanol_slope = ln_methanol_slope(kelvin)
        water_kj_kg = water_base + WATER_VAPOUR_KJ_KG_K * t
        methanol_kj_kg = methanol_base + METHANOL_VAPOUR_KJ_KG_K * t
        have = heat * (dry_c - t)
        taken = 0.0
        water_gain = 0.0
        water_out = 0.0
        if inert:
            gone, gain, laar_new, pull = share_out_methanol(
                methanol_k, methanol_slope, gas, liquid, methanol, laar
            )
        else:
            water_k = exp(ln_water_kpa(kelvin) + ln_water_activity(laar)) / pressure_kpa
            steam, water_gain, gone, gain, laar_new, pull = share_out(
                water_k, ln_water_slope(kelvin), methanol_k, methanol_slope, water, methanol, laar
            )
            water_out = _WATER * steam - humidity_kg_kg
            water_gain *= _WATER
            # The vapour brought along counts on both sides: the whole grows as an exponential.
            have += humidity_kg_kg * water_kj_kg
            taken = _WATER * steam * water_kj_kg
        methanol_out = _METHANOL * gone
        methanol_gain = _METHANOL * gain
        taken += methanol_out * methanol_kj_kg
        slope = water_gain * water_kj_kg + methanol_gain * methanol_kj_kg
        hottest_c = dry_c if water_out < 0.0 else 0.5 * (t + dry_c)
        next_c = clamp(t + _step_k(have, taken, heat, slope), coldest_c, hottest_c)
        step = next_c - t
        mix_step = (laar_new - laar) / (1.0 - pull)
        t = next_c
        laar = clamp(laar + mix_step, 0.0, 1.0)
        if not (-_NEAR_K < step < _NEAR_K and -_NEAR_MIX < mix_step < _NEAR_MIX):
            continue
        if tried:  # would water evaporate after all?
            tried = False
            water_k = exp(ln_water_kpa(kelvin) + ln_water_activity(laar)) / pressure_kpa
            wet = water_k * liquid / larger(liquid + methanol - gone, _NOTHING)
            inert = wet * (gas + gone) <= gas - 1.0
            if not inert:
                continue
        water_out += water_gain * step
        if water_out >= 0.0:
            methanol_out = clamp(methanol_out + methanol_gain * step, 0.0, methanol_kg_kg)
            return smaller(water_out, water_kg_kg), methanol_out
        inert = True
    return larger(water_out, 0.0), methanol_out


def _water_base_kj_kg(liquid_c: float) -> float:
    """Return what a kilogram of water takes from liquid to vapour of 0 degC, in kJ."""
    return WATER_VAPOUR_AT_ZERO_KJ_KG - WATER_LIQUID_KJ_KG_K * liquid_c


def _methanol_base_kj_kg(liquid_c: float) -> float:
    """Return what a kilogram of methanol takes from liquid to vapour of 0 degC, in kJ."""
    return _METHANOL_AT_ZERO_KJ_KG - METHANOL_LIQUID_KJ_KG_K * liquid_c


def _latent_25_kj_kg(methanol_share: float) -> float:
    """Return the latent heat of the mix at 25 degC, kJ/kg."""
    return _WATER_25_KJ_KG + methanol_share * (METHANOL_LATENT_25_KJ_KG - _WATER_25_KJ_KG)


def _step_k(have: float, taken: float, heat: float, slope: float) -> float:
    """Return a step towards the temperature at which heat on hand and heat taken are equal.

    Newton on the logarithms, as heat taken grows about as an exponential; the one logarithm by
    Pade, ln r = 2 (r - 1) / (r + 1). From above neither that nor plain Newton steps too far, so
    the longer step down is taken; from below plain Newton does, so the shorter up. All in kJ per
    kg of dry air: what is on hand falls by ``heat`` a kelvin, what is taken grows by ``slope``.
    """
    plain = (have - taken) / (heat + slope)
    if have < _NOTHING or taken < _NOTHING:
        return plain
    logarithm = 2.0 * (have - taken) / (have + taken)
    return smaller(plain, logarithm * have * taken / (slope * have + heat * taken))
