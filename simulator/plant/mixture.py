"""Water, methanol and their mixes: what the liquid in the tank is and what it does as a fuel.

Every function is a small scalar one that runs interpreted and compiled alike. Shares are by mass, 0
(water) to 1 (methanol), unless a name says otherwise.
"""

from math import exp, log, sqrt
from typing import Final

from rules.step.arithmetic import clamp, smaller
from simulator.rig.mix import CRC_DENSITY

ZERO_C_K: Final = 273.15
WATER_G_MOL: Final = 18.015268  # IAPWS-95
METHANOL_G_MOL: Final = 32.04216
AIR_G_MOL: Final = 28.966  # ASHRAE Handbook Fundamentals, chapter 1

WATER_VAPOUR_KJ_KG_K: Final = 1.86  # ASHRAE Handbook Fundamentals, chapter 1, like the next two
WATER_LIQUID_KJ_KG_K: Final = 4.186
WATER_VAPOUR_AT_ZERO_KJ_KG: Final = 2501.0  # enthalpy of vapour at 0 degC over liquid at 0 degC
METHANOL_VAPOUR_KJ_KG_K: Final = 1.38  # ideal-gas vapour near 30 degC, equation of state (CoolProp)
METHANOL_LIQUID_KJ_KG_K: Final = 2.535  # at 25 degC, the same
METHANOL_LATENT_25_KJ_KG: Final = 1169.0  # at 25 degC, saturated, the same

OXYGEN_MOL_MOL: Final = 0.209476  # in dry air, ICAO standard atmosphere, like the next
DRY_AIR_G_MOL: Final = 28.9644
METHANOL_STOICHIOMETRIC_AIR: Final = 6.473  # kg per kg, ``stoichiometric_air(1, 4, 1)``
METHANOL_LOWER_HEAT_MJ_KG: Final = (
    19.91  # from formation enthalpies (CRC Handbook), liquid, 25 degC
)
PETROL_LOWER_HEAT_MJ_KG: Final = 43.5  # typical; common practice, no source

_CRC_SHARE: Final = tuple(0.01 * percent for percent, _ in CRC_DENSITY)
_CRC_KG_M3: Final = tuple(density for _, density in CRC_DENSITY)
_CRC_LAST: Final = len(CRC_DENSITY) - 1

# Van Laar constants of methanol (1) and water (2), fitted to isobaric vapour-liquid equilibrium
# at 101.3 kPa; from memory (Perry's Chemical Engineers' Handbook has the like).
VAN_LAAR_METHANOL: Final = 0.8041
VAN_LAAR_WATER: Final = 0.5619

_LN_10: Final = log(10.0)
_LN_1000: Final = log(1000.0)
# log10(p/bar) = 5.20409 - 1581.341 / (T/K - 33.50): Ambrose and Sprake (1970), NIST Chemistry
# WebBook; here for natural logarithm and kPa.
_ANTOINE_A: Final = (5.20409 + 2.0) * _LN_10
_ANTOINE_B_K: Final = 1581.341 * _LN_10
_ANTOINE_C_K: Final = 33.5


def density_kg_m3(methanol_share: float, temperature_c: float) -> float:
    """Return the density of the liquid mix in kg/m3.

    At 20 degC it is the CRC table interpolated; elsewhere within 0.15 % of Melinder's fit.

    Args:
        methanol_share: By mass, 0 to 1.
        temperature_c: Of the liquid, degC, -20 to 60 (water to 100).

    Source: CRC Handbook, 102nd ed., at 20 degC; expansion of the pure liquids fitted to their
    equations of state, and what mixing adds to it to Melinder's data (all in CoolProp).
    """
    w = clamp(methanol_share, 0.0, 1.0)
    i = 1
    while i < _CRC_LAST and w > _CRC_SHARE[i]:
        i += 1
    part = (w - _CRC_SHARE[i - 1]) / (_CRC_SHARE[i] - _CRC_SHARE[i - 1])
    at_20_kg_m3 = _CRC_KG_M3[i - 1] + part * (_CRC_KG_M3[i] - _CRC_KG_M3[i - 1])
    u = temperature_c - 20.0
    water = u * (-2.03443e-4 + u * (-5.27106e-6 + u * (2.84792e-8 - u * 1.07597e-10)))
    methanol = u * (-1.18293e-3 + u * (-2.04583e-7 - u * 9.01325e-9))
    mixing = u * (-1.42603e-4 + 8.74978e-6 * u + 3.48299e-4 * (1.0 - 2.0 * w))
    return at_20_kg_m3 * (1.0 + (1.0 - w) * water + w * methanol + w * (1.0 - w) * mixing)


def viscosity_mpa_s(methanol_share: float, temperature_c: float) -> float:
    """Return the viscosity of the liquid mix in mPa s; it peaks near 40 % by mass.

    Within 2 % of Melinder's fit up to 60 % methanol; beyond it leads smoothly to pure methanol.

    Args:
        methanol_share: By mass, 0 to 1.
        temperature_c: Of the liquid, degC, -15 to 60.

    Source: pure liquids fitted to IAPWS 2008 and methanol's reference correlation, the mix to
    Melinder's data (all in CoolProp).
    """
    w = clamp(methanol_share, 0.0, 1.0)
    u = temperature_c - 20.0
    # ln 1.0016 and on: water; the two liquids' logarithms mix with a polynomial excess.
    water = 1.5987e-3 - u * (2.822443 + 3.4719e-3 * u) / (temperature_c + 94.892147)
    methanol = -5.26868 + 1495.548 / (temperature_c + 296.014)
    excess = 3.808936 - 0.944228 * w + u * (-5.998483e-2 + 5.065686e-2 * w + 1.77506e-4 * u)
    return exp((1.0 - w) * water + w * methanol + w * (1.0 - w) * excess)


def surface_mn_m(methanol_share: float, temperature_c: float) -> float:
    """Return the surface tension of the liquid mix in mN/m, good to about 1.5.

    A little methanol takes most of water's surface tension away.

    Args:
        methanol_share: By mass, 0 to 1.
        temperature_c: Of the liquid, degC, -20 to 60.

    Source: pure liquids fitted to IAPWS and to methanol's correlation (CoolProp); the way between
    them after Vazquez et al. (1995) at 25 degC, from memory.
    """
    w = clamp(methanol_share, 0.0, 1.0)
    u = temperature_c - 25.0
    water = 72.0 - 0.158 * u
    methanol = 22.15 - 0.0853 * u
    return water - (water - methanol) * 3.8 * w / (1.0 + 2.8 * w)


def freezing_c(methanol_share: float) -> float:
    """Return where the mix starts to freeze, in degC, within 0.5 K of the table.

    Args:
        methanol_share: By mass, 0 to 0.68; held there above.

    Source: fitted to the CRC Handbook, 102nd ed., Concentrative Properties of Aqueous Solutions.
    """
    w = clamp(methanol_share, 0.0, 0.68)
    return w * (
        -59.919425 + w * (-26.809227 + w * (-382.516004 + w * (816.126776 - w * 667.968067)))
    )


def water_latent_kj_kg(temperature_c: float) -> float:
    """Return water's latent heat along saturation in kJ/kg, within 1e-4 of it.

    Args:
        temperature_c: 0 to 120 degC.

    Source: fitted to IAPWS-95 (CoolProp).
    """
    t = temperature_c
    return 2500.9275 + t * (-2.377524 + t * (5.979077e-4 - t * 1.277294e-5))


def methanol_latent_kj_kg(temperature_c: float) -> float:
    """Return methanol's latent heat along saturation in kJ/kg, within 3e-4 of it.

    Args:
        temperature_c: -20 to 100 degC.

    Source: fitted to the equation of state in CoolProp.
    """
    t = temperature_c
    return 1204.9258 + t * (-1.3577396 + t * (-2.5671148e-3 - t * 2.1136378e-5))


def latent_kj_kg(methanol_share: float, temperature_c: float) -> float:
    """Return the mix's latent heat by mass in kJ/kg; heat of mixing (under 1.5 %) is left out.

    Args:
        methanol_share: By mass, 0 to 1.
        temperature_c: 0 to 100 degC.
    """
    water = water_latent_kj_kg(temperature_c)
    return water + methanol_share * (methanol_latent_kj_kg(temperature_c) - water)


def water_heat_kj_kg_k(temperature_c: float) -> float:
    """Return liquid water's heat capacity in kJ/(kg K), within 5e-4.

    Args:
        temperature_c: 0 to 105 degC.

    Source: fitted to IAPWS-95 (CoolProp).
    """
    t = temperature_c
    return 4.2180547 + t * (-2.7728634e-3 + t * (6.6636397e-5 + t * (-6.3976944e-7 + t * 2.48e-9)))


def methanol_heat_kj_kg_k(temperature_c: float) -> float:
    """Return liquid methanol's heat capacity in kJ/(kg K), within 2e-4.

    Args:
        temperature_c: -20 to 70 degC.

    Source: fitted to the equation of state in CoolProp.
    """
    return 2.4010901 + temperature_c * (4.5612152e-3 + 3.1433156e-5 * temperature_c)


def ln_water_kpa(kelvin: float) -> float:
    """Return the logarithm of water's vapour pressure in kPa.

    Args:
        kelvin: 250 to 473 K; below 273.15 K of the supercooled liquid, as spray stays liquid.

    Source: Hyland and Wexler (1983), ASHRAE Handbook Fundamentals, chapter 1, over liquid water.
    """
    return (
        -5.8002206e3 / kelvin
        + (1.3914993 - _LN_1000)
        + kelvin * (-4.8640239e-2 + kelvin * (4.1764768e-5 - kelvin * 1.4452093e-8))
        + 6.5459673 * log(kelvin)
    )


def ln_water_slope(kelvin: float) -> float:
    """Return what ``ln_water_kpa`` gains a kelvin (its derivative)."""
    return (
        (5.8002206e3 / kelvin + 6.5459673) / kelvin
        - 4.8640239e-2
        + kelvin * (8.3529536e-5 - kelvin * 4.3356279e-8)
    )


def ln_methanol_kpa(kelvin: float) -> float:
    """Return the logarithm of methanol's vapour pressure in kPa.

    Args:
        kelvin: 253 to 480 K; fitted from 288 to 357 K, and within 2 % of the equation of state
            in CoolProp down to 253 K.

    Source: Antoine equation, Ambrose and Sprake (1970), NIST Chemistry WebBook.
    """
    return _ANTOINE_A - _ANTOINE_B_K / (kelvin - _ANTOINE_C_K)


def ln_methanol_slope(kelvin: float) -> float:
    """Return what ``ln_methanol_kpa`` gains a kelvin (its derivative)."""
    above = kelvin - _ANTOINE_C_K
    return _ANTOINE_B_K / (above * above)


def water_vapour_kpa(temperature_c: float) -> float:
    """Return water's vapour pressure in kPa, -20 to 200 degC; see ``ln_water_kpa``."""
    return exp(ln_water_kpa(temperature_c + ZERO_C_K))


def methanol_vapour_kpa(temperature_c: float) -> float:
    """Return methanol's vapour pressure in kPa, -20 to 200 degC; see ``ln_methanol_kpa``."""
    return exp(ln_methanol_kpa(temperature_c + ZERO_C_K))


def laar_share(methanol_mol: float, water_mol: float) -> float:
    """Return methanol's share in the sense of van Laar, 0 to 1, which the activities need.

    Args:
        methanol_mol: Any amount, >= 0.
        water_mol: The same, >= 0, not both nought.
    """
    methanol = VAN_LAAR_METHANOL * methanol_mol
    return methanol / (methanol + VAN_LAAR_WATER * water_mol)


def ln_methanol_activity(laar: float) -> float:
    """Return the logarithm of methanol's activity coefficient, >= 0.

    It is above nought, so methanol leaves a watery mix sooner than its share alone would say.

    Args:
        laar: From ``laar_share``.

    Source: van Laar equation.
    """
    return VAN_LAAR_METHANOL * (1.0 - laar) * (1.0 - laar)


def ln_water_activity(laar: float) -> float:
    """Return the logarithm of water's activity coefficient, >= 0; as ``ln_methanol_activity``."""
    return VAN_LAAR_WATER * laar * laar


def share_out(
    water_k: float,
    water_slope: float,
    methanol_k: float,
    methanol_slope: float,
    water: float,
    methanol: float,
    laar: float,
) -> tuple[float, float, float, float, float, float]:
    """Return how water and methanol share themselves between liquid and gas beside 1 mol of air.

    With s = liquid over gas in moles and K = vapour over liquid share, each component leaves
    Z K / (s + K) in the gas, and sum Z (1 - K) / (s + K) = 1: a quadratic in s.

    Args:
        water_k: K of water, > 0.
        water_slope: Its logarithm's gain a kelvin.
        methanol_k: K of methanol.
        methanol_slope: Likewise.
        water: Water in all, mol.
        methanol: Methanol in all, mol.
        laar: Van Laar share behind the two K.

    Returns:
        Water in the gas and its gain a kelvin, methanol likewise, the van Laar share of the
        liquid, and how much that share moves with ``laar`` at this temperature.
    """
    water_a = water * (1.0 - water_k)
    methanol_a = methanol * (1.0 - methanol_k)
    c = water_k * methanol_k - water_a * methanol_k - methanol_a * water_k
    if c >= 0.0:  # no liquid
        new = laar_share(methanol / methanol_k, water / water_k)
        return water, 0.0, methanol, 0.0, new, _pull(laar, 1.0, 1.0)
    b = water_k + methanol_k - water_a - methanol_a
    root = sqrt(b * b - 4.0 * c)
    s = -2.0 * c / (b + root) if b > 0.0 else 0.5 * (root - b)
    water_by = 1.0 / (s + water_k)
    methanol_by = 1.0 / (s + methanol_k)
    water_share = water_k * water_by  # of it, what is gas
    methanol_share = methanol_k * methanol_by
    water_gas = water * water_share
    methanol_gas = methanol * methanol_share
    grown = water_gas * water_by * water_slope + methanol_gas * methanol_by * methanol_slope
    fall = water_a * water_by * water_by + methanol_a * methanol_by * methanol_by
    s_gain = -(1.0 + s) * grown / fall
    return (
        water_gas,
        water_gas * water_by * (s * water_slope - s_gain),
        methanol_gas,
        methanol_gas * methanol_by * (s * methanol_slope - s_gain),
        laar_share(methanol * methanol_by, water * water_by),
        _pull(laar, methanol_share, water_share),
    )


def share_out_methanol(
    methanol_k: float, methanol_slope: float, gas: float, water: float, methanol: float, laar: float
) -> tuple[float, float, float, float]:
    """Return how methanol shares itself where water neither evaporates nor condenses.

    The liquid l left solves (Z - l)(l + water) = K l (gas + Z - l).

    Args:
        methanol_k: K of methanol, see ``share_out``.
        methanol_slope: Its logarithm's gain a kelvin.
        gas: Air and vapour brought along, mol.
        water: Liquid water, mol.
        methanol: Methanol in all, mol.
        laar: Van Laar share behind K.

    Returns:
        Methanol in the gas and its gain a kelvin, and the rest as in ``share_out``.
    """
    a = 1.0 - methanol_k
    b = methanol_k * (gas + methanol) + water - methanol
    root = sqrt(b * b + 4.0 * a * methanol * water)
    left = 2.0 * methanol * water / (b + root) if b > 0.0 else 0.5 * (root - b) / a
    if left <= 0.0:
        return methanol, 0.0, laar, 0.0
    grown = methanol_k * (gas + methanol - left) / root
    return (
        methanol - left,
        methanol_slope * grown * left,
        laar_share(left, water),
        _pull(laar, grown, 0.0),
    )


def _pull(laar: float, methanol_grown: float, water_grown: float) -> float:
    """Return how much the liquid's van Laar share moves with the one its K were taken at.

    Args:
        laar: That share, 0 to 1.
        methanol_grown: How much liquid methanol shrinks with its K, logarithm by logarithm.
        water_grown: Likewise of water.
    """
    rest = 1.0 - laar
    pull = VAN_LAAR_METHANOL * rest * methanol_grown + VAN_LAAR_WATER * laar * water_grown
    return smaller(2.0 * laar * rest * pull, 0.8)


def stoichiometric_air(carbon: float, hydrogen: float, oxygen: float) -> float:
    """Return the dry air a fuel burns with, kg per kg.

    Args:
        carbon: Atoms in the molecule, >= 0.
        hydrogen: Likewise.
        oxygen: Likewise.

    Source: elements; standard atomic weights, dry air of 20.9476 % oxygen.
    """
    fuel_g_mol = 12.0107 * carbon + 1.00794 * hydrogen + 15.9994 * oxygen
    oxygen_mol = carbon + 0.25 * hydrogen - 0.5 * oxygen
    return oxygen_mol * DRY_AIR_G_MOL / OXYGEN_MOL_MOL / fuel_g_mol


def lambda_ratio(air: float, petrol: float, methanol: float, petrol_air: float) -> float:
    """Return the air on hand over the air that petrol and the spray's methanol burn with.

    Args:
        air: Any unit of mass flow.
        petrol: The same unit, > 0 unless methanol is.
        methanol: The same unit, >= 0.
        petrol_air: The petrol's stoichiometric air, kg per kg, 14 to 15.

    Source: definition.
    """
    return air / (petrol * petrol_air + methanol * METHANOL_STOICHIOMETRIC_AIR)
