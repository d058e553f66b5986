"""Water, methanol and their mixes against handbooks, equations of state and their own laws."""

from collections.abc import Callable
from inspect import signature
from math import exp
from types import FunctionType
from typing import Any

import numba
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba.extending import register_jitable
from scipy.optimize import brentq

import rules.step.compiled  # noqa: F401  (makes rules.step.arithmetic callable from compiled code)
from simulator.plant import mixture
from simulator.plant.mixture import (
    density_kg_m3,
    freezing_c,
    laar_share,
    lambda_ratio,
    latent_kj_kg,
    ln_methanol_activity,
    ln_water_activity,
    methanol_heat_kj_kg_k,
    methanol_latent_kj_kg,
    methanol_vapour_kpa,
    share_out,
    share_out_methanol,
    stoichiometric_air,
    surface_mn_m,
    viscosity_mpa_s,
    water_heat_kj_kg_k,
    water_latent_kj_kg,
    water_vapour_kpa,
)
from simulator.rig import mix
from tests.kit.coolprop import PropsSI

# CRC Handbook of Chemistry and Physics, 102nd ed., Concentrative Properties of Aqueous Solutions.
CRC_DENSITY = [
    (0, 998.2), (10, 981.6), (20, 966.6), (30, 951.4), (40, 934.7), (50, 915.6), (60, 894.4),
    (70, 871.5), (80, 846.8), (90, 820.4), (100, 791.7), (16, 972.5), (24, 960.6), (26, 957.6),
    (34, 945.0), (36, 941.6), (42, 931.1), (44, 927.3), (46, 923.5),
]  # fmt: skip
CRC_FREEZING = [
    (5, -3.02), (10, -6.6), (15, -10.53), (20, -15.02), (24, -19.04), (30, -25.91), (34, -30.48),
    (40, -38.6), (44, -44.5), (50, -54.5), (60, -74.5), (66, -89.6), (68, -96.3),
]  # fmt: skip
# Lange's Handbook of Chemistry, 15th ed., Table 5.13 (methyl alcohol and water).
LANGE_FREEZING = [
    (3.9, -2.2), (8.1, -5.0), (12.2, -8.3), (16.4, -11.7), (20.6, -15.6), (24.9, -20.0),
    (29.2, -25.0), (33.6, -30.0),
]  # fmt: skip
# Vapour pressure over water, Pa: Hyland-Wexler by PsychroLib, IAPWS-95 by CoolProp.
VAPOUR = [
    (0, 611.15, 611.21), (10, 1227.99, 1228.2), (20, 2338.8, 2339.32), (25, 3169.22, 3169.93),
    (30, 4246.03, 4246.97), (35, 5627.82, 5629.02), (40, 7383.46, 7384.94),
    (60, 19943.76, 19946.43), (80, 47411.61, 47414.47), (100, 101418.72, 101418.0),
]  # fmt: skip
# Methanol and water boiling at 101.3 kPa: degC, methanol in liquid, in vapour (mol per mol).
# Perry's Chemical Engineers' Handbook, from memory.
BOILING = [
    (96.4, 0.02, 0.134), (93.5, 0.04, 0.230), (91.2, 0.06, 0.304), (87.7, 0.10, 0.418),
    (81.7, 0.20, 0.579), (78.0, 0.30, 0.665), (75.3, 0.40, 0.729), (73.1, 0.50, 0.779),
    (71.2, 0.60, 0.825), (69.3, 0.70, 0.870), (67.5, 0.80, 0.915), (66.0, 0.90, 0.958),
]  # fmt: skip
# Calculated flash points (UNIFAC; method of Liaw et al. 2006 and Astbury et al. 2004): where the
# mix has the methanol pressure that methanol alone has at 11 degC.
FLASH = [
    (10, 54.9), (20, 41.3), (30, 34.4), (40, 29.6), (44.2, 28.0), (50, 25.9), (60, 22.7),
    (70, 19.8), (80, 16.9), (90, 14.0),
]  # fmt: skip
# Percent on the label; percent by mass and freezing point if it is of the finished volume, or of
# what was poured: derived from the CRC tables.
LABELS = [
    (20, 16.32, -11.8, -11.6), (30, 24.80, -20.5, -19.9), (40, 33.48, -31.2, -29.9),
    (50, 42.56, -44.9, -42.3),
]  # fmt: skip
AIR = [
    ((1.0, 4.0, 1.0), 6.473), ((2.0, 6.0, 1.0), 9.0042), ((8.0, 18.0, 0.0), 15.1309),
    ((7.0, 8.0, 0.0), 13.5061), ((1.0, 1.85, 0.0), 14.574), ((1.0, 1.87, 0.0), 14.6026),
    ((0.0, 2.0, 1.0), 0.0),
]  # fmt: skip
SPANS = {
    "methanol_share": (0.0, 1.0), "temperature_c": (-20.0, 60.0), "kelvin": (253.0, 450.0),
    "methanol_mol": (0.01, 2.0), "water_mol": (0.0, 2.0), "laar": (0.0, 1.0), "carbon": (1.0, 8.0),
    "hydrogen": (2.0, 18.0), "oxygen": (0.0, 1.0), "air": (1.0, 200.0), "petrol": (1.0, 20.0),
    "methanol": (0.001, 0.2), "petrol_air": (14.0, 15.0), "water_k": (0.001, 1.5),
    "water_slope": (0.04, 0.08), "methanol_k": (0.01, 3.0), "methanol_slope": (0.03, 0.06),
    "water": (0.001, 0.2), "gas": (1.0, 1.1), "methanol_grown": (0.0, 1.0),
    "water_grown": (0.0, 1.0),
}  # fmt: skip


def molar(mass_pct: float) -> float:
    """Return methanol's molar share from its mass percent (M 32.04 and 18.015 g/mol)."""
    methanol, water = mass_pct / 32.04216, (100.0 - mass_pct) / 18.015268
    return methanol / (methanol + water)


def pressures_kpa(x: float, temperature_c: float) -> tuple[float, float]:
    """Return methanol's and water's pressure over a mix with this molar share."""
    laar = laar_share(x, 1.0 - x)
    methanol = x * exp(ln_methanol_activity(laar)) * methanol_vapour_kpa(temperature_c)
    return methanol, (1.0 - x) * exp(ln_water_activity(laar)) * water_vapour_kpa(temperature_c)


def boils_c(x: float) -> float:
    """Return where the mix boils at 101.325 kPa."""
    return float(brentq(lambda t: sum(pressures_kpa(x, t)) - 101.325, 0.0, 120.0))


def test_water_is_water() -> None:
    """Density, heat, latent heat and viscosity are IAPWS-95's (CoolProp), to 1e-4."""
    assert density_kg_m3(0.0, 20.0) == pytest.approx(998.207, rel=1e-4)
    assert density_kg_m3(0.0, 25.0) == pytest.approx(997.048, rel=1e-4)
    assert density_kg_m3(0.0, 99.974) == pytest.approx(958.37, rel=1e-4)
    assert water_heat_kj_kg_k(25.0) == pytest.approx(4.1813, rel=1e-4)
    assert water_heat_kj_kg_k(99.974) == pytest.approx(4.2156, rel=1e-4)
    assert water_latent_kj_kg(25.0) == pytest.approx(2441.68, rel=1e-4)
    assert water_latent_kj_kg(99.974) == pytest.approx(2256.47, rel=1e-4)
    assert viscosity_mpa_s(0.0, 20.0) == pytest.approx(1.0016, rel=1e-4)
    assert mixture.WATER_G_MOL == 18.015268
    assert boils_c(0.0) == pytest.approx(99.974, abs=0.02)


def test_methanol_is_methanol() -> None:
    """The like of methanol (its equation of state, CoolProp), to 3e-3 and 0.25 K."""
    assert density_kg_m3(1.0, 20.0) == pytest.approx(791.01, rel=3e-3)
    assert density_kg_m3(1.0, 25.0) == pytest.approx(786.33, rel=3e-3)
    assert density_kg_m3(1.0, 64.482) == pytest.approx(748.36, rel=3e-3)
    assert methanol_heat_kj_kg_k(25.0) == pytest.approx(2.5345, rel=3e-3)
    assert methanol_heat_kj_kg_k(64.482) == pytest.approx(2.8257, rel=3e-3)
    assert methanol_latent_kj_kg(25.0) == pytest.approx(1169.0, rel=3e-3)
    assert methanol_latent_kj_kg(64.482) == pytest.approx(1101.07, rel=3e-3)
    assert methanol_vapour_kpa(25.0) == pytest.approx(16.9814, rel=3e-3)
    assert viscosity_mpa_s(1.0, 20.0) == pytest.approx(0.5853, rel=3e-3)
    assert mixture.METHANOL_G_MOL == 32.04216
    assert boils_c(1.0) == pytest.approx(64.482, abs=0.25)


def test_water_takes_twice_the_heat() -> None:
    """Water's latent heat over methanol's (CoolProp); 506 Btu/lb of methanol at 60 F (US DOE)."""
    at_25 = water_latent_kj_kg(25.0) / methanol_latent_kj_kg(25.0)
    at_boiling = water_latent_kj_kg(99.974) / methanol_latent_kj_kg(64.482)
    assert at_25 == pytest.approx(2.0887, rel=0.01)
    assert at_boiling == pytest.approx(2.0494, rel=0.01)
    assert methanol_latent_kj_kg(15.56) == pytest.approx(1176.96, rel=0.01)


def test_latent_heat_of_a_pour() -> None:
    """By mass, volumes before mixing, 25 degC (ideal mixing of CoolProp's), to 0.3 %."""
    for poured_pct, kj_kg in ((0.0, 2441.7), (30.0, 2119.0), (50.0, 1879.0), (100.0, 1169.0)):
        share = 0.01 * mix.mass_pct(poured_pct)
        assert latent_kj_kg(share, 25.0) == pytest.approx(kj_kg, rel=3e-3)


def test_density_at_20() -> None:
    """The CRC rows come back at 20 degC, and the rig's own figure with them."""
    for percent, kg_m3 in CRC_DENSITY:
        assert density_kg_m3(0.01 * percent, 20.0) == pytest.approx(kg_m3, abs=0.2)
        rig = mix.density_kg_m3(0.97 * percent)
        assert density_kg_m3(0.0097 * percent, 20.0) == pytest.approx(rig, rel=1e-12)


@pytest.mark.parametrize("percent", [10, 20, 30, 40, 44.2, 50, 60])
def test_density_and_viscosity_of_the_mix(percent: float) -> None:
    """Melinder's fit (CoolProp) from -15 to 40 degC: density to 0.2 %, viscosity to 2 %."""
    name = f"INCOMP::MMA[{0.01 * percent}]"
    for t in range(-15 if percent > 20 else -5, 41, 5):
        rho = PropsSI("D", "T", t + 273.15, "P", 101325.0, name)
        mu = PropsSI("V", "T", t + 273.15, "P", 101325.0, name)
        assert density_kg_m3(0.01 * percent, t) == pytest.approx(rho, rel=2e-3)
        assert viscosity_mpa_s(0.01 * percent, t) == pytest.approx(1e3 * mu, rel=0.02)


@pytest.mark.parametrize(("fluid", "share"), [("Water", 0.0), ("Methanol", 1.0)])
def test_the_pure_liquids(fluid: str, share: float) -> None:
    """Density, viscosity, surface tension, heat, latent heat, 1 to 60 degC (CoolProp)."""
    latent = methanol_latent_kj_kg if share else water_latent_kj_kg
    heat = methanol_heat_kj_kg_k if share else water_heat_kj_kg_k
    for t in range(1, 61, 5):
        rho, mu, sigma, cp, liquid = (
            PropsSI(name, "T", t + 273.15, "Q", 0, fluid) for name in "DVICH"
        )
        joules = PropsSI("H", "T", t + 273.15, "Q", 1, fluid) - liquid
        assert density_kg_m3(share, t) == pytest.approx(rho, rel=1.5e-3)
        assert viscosity_mpa_s(share, t) == pytest.approx(1e3 * mu, rel=3e-3)
        assert surface_mn_m(share, t) == pytest.approx(1e3 * sigma, abs=0.4)
        assert heat(t) == pytest.approx(1e-3 * cp, rel=6e-4)
        assert latent(t) == pytest.approx(1e-3 * joules, rel=4e-4)


def test_a_mix_is_thick_and_slack() -> None:
    """Viscosity peaks near 40 % by mass (Melinder); a little methanol takes the surface tension.

    At 25 degC 56.2, 47.2, 36.5, 29.8 mN/m (Vazquez et al. 1995, from memory), to 1.5.
    """
    most, percent = max((viscosity_mpa_s(0.01 * percent, 20.0), percent) for percent in range(101))
    assert 35 <= percent <= 45
    assert most == pytest.approx(1.84, abs=0.04)
    found = [surface_mn_m(share, 25.0) for share in (0.1, 0.2, 0.4, 0.6)]
    assert found == pytest.approx([56.2, 47.2, 36.5, 29.8], abs=1.5)


@given(st.floats(0.0, 0.98), st.floats(-15.0, 60.0))
def test_more_methanol_is_lighter_and_less_tense(share: float, t: float) -> None:
    """Density and surface tension fall with methanol, density with temperature above 5 degC."""
    assert density_kg_m3(share + 0.02, t) < density_kg_m3(share, t)
    assert surface_mn_m(share + 0.02, t) < surface_mn_m(share, t)
    if t > 5.0:
        assert density_kg_m3(share, t + 1.0) < density_kg_m3(share, t)


def test_freezing() -> None:
    """The CRC rows to 0.5 K (1 K from 30 % by mass on), the antifreeze table's to 0.3 K."""
    for percent, celsius in CRC_FREEZING:
        assert freezing_c(0.01 * percent) == pytest.approx(celsius, abs=0.5 if percent < 30 else 1)
    for mass_pct, freezes_c in LANGE_FREEZING:
        assert freezing_c(0.01 * mass_pct) == pytest.approx(freezes_c, abs=0.3)


@pytest.mark.parametrize(("label_pct", "solution_wt", "pour_c", "solution_c"), LABELS)
def test_the_two_percents_by_volume(
    label_pct: float, solution_wt: float, pour_c: float, solution_c: float
) -> None:
    """Percent of what was poured isn't percent of the finished volume (from the CRC table)."""
    found = brentq(lambda w: w * density_kg_m3(0.01 * w, 20.0) / 791.7 - label_pct, 0.0, 100.0)
    assert found == pytest.approx(solution_wt, abs=0.05)
    assert freezing_c(0.01 * solution_wt) == pytest.approx(solution_c, abs=0.5)
    poured = 0.01 * mix.mass_pct(label_pct)
    assert freezing_c(poured) == pytest.approx(pour_c, abs=0.5)


def test_a_pour_shrinks() -> None:
    """1 L and 1 L are 1.7899 kg, 1.9311 L, 3.44 % less, 51.78 % methanol (from the CRC table)."""
    kg = 0.7917 + 0.9982
    litres = 1e3 * kg / density_kg_m3(0.7917 / kg, 20.0)
    assert kg == pytest.approx(1.7899, abs=1e-4)
    assert litres == pytest.approx(1.9311, abs=2e-3)
    assert 100.0 * (1.0 - litres / 2.0) == pytest.approx(3.44, abs=0.1)
    assert 100.0 / litres == pytest.approx(51.78, abs=0.05)


def test_vapour_pressure_of_water() -> None:
    """Hyland-Wexler as PsychroLib has it to 1e-5 (ice at 0 degC), IAPWS-95 (CoolProp) to 5e-4.

    Also ASHRAE's Table 3, and Table 2's saturated air but for its real-gas factor.
    """
    for celsius, ashrae_pa, iapws_pa in VAPOUR:
        found = 1e3 * water_vapour_kpa(celsius)
        assert found == pytest.approx(ashrae_pa, rel=1e-5 if celsius else 5e-4)
        assert found == pytest.approx(iapws_pa, rel=5e-4)
    for t, pa, rel in ((5, 872.49, 1e-5), (150, 476197.88, 1e-5), (25, 3169.7, 3e-4)):
        assert 1e3 * water_vapour_kpa(t) == pytest.approx(pa, rel=rel)
    kpa = water_vapour_kpa(25.0)
    assert 0.621945 * kpa / (101.325 - kpa) == pytest.approx(0.020173, rel=5e-3)


def test_vapour_pressure_of_methanol() -> None:
    """Antoine against the equation of state (CoolProp): 0.4 % from 10 to 100 degC, 2 % to -20."""
    for t in range(-20, 101, 5):
        pa = PropsSI("P", "T", t + 273.15, "Q", 0, "Methanol")
        assert 1e3 * methanol_vapour_kpa(t) == pytest.approx(pa, rel=4e-3 if t >= 10 else 0.02)


def test_boiling_mixes() -> None:
    """Boiling points to 0.4 K and vapours to 0.012 at 101.3 kPa (Perry's, from memory)."""
    for celsius, liquid, vapour in BOILING:
        boils = boils_c(liquid)
        assert boils == pytest.approx(celsius, abs=0.4)
        assert pressures_kpa(liquid, boils)[0] / 101.325 == pytest.approx(vapour, abs=0.012)


def test_activities_near_room_temperature() -> None:
    """Where methanol reaches its flash pressure (UNIFAC), well inside the 5 K of such models."""
    kpa = methanol_vapour_kpa(11.0)
    for percent, celsius in FLASH:
        x = molar(percent)
        found = brentq(lambda t, x=x: pressures_kpa(x, t)[0] - kpa, 0.0, 90.0)
        assert found == pytest.approx(celsius, abs=1.2)


@given(st.floats(0.01, 0.99))
def test_activities_obey_gibbs_and_duhem(x: float) -> None:
    """No pair of activities is possible unless x d(ln g1) + (1 - x) d(ln g2) = 0."""
    h = 1e-5
    up, down = laar_share(x + h, 1.0 - x - h), laar_share(x - h, 1.0 - x + h)
    methanol = ln_methanol_activity(up) - ln_methanol_activity(down)
    water = ln_water_activity(up) - ln_water_activity(down)
    assert x * methanol + (1.0 - x) * water == pytest.approx(0.0, abs=1e-10)
    assert methanol <= 0.0 <= water


@given(st.floats(255.0, 440.0))
def test_slopes_are_derivatives(kelvin: float) -> None:
    """The slopes are what the logarithms gain, by differences."""
    up, down = kelvin + 0.01, kelvin - 0.01
    water = (mixture.ln_water_kpa(up) - mixture.ln_water_kpa(down)) / 0.02
    methanol = (mixture.ln_methanol_kpa(up) - mixture.ln_methanol_kpa(down)) / 0.02
    assert mixture.ln_water_slope(kelvin) == pytest.approx(water, rel=1e-6)
    assert mixture.ln_methanol_slope(kelvin) == pytest.approx(methanol, rel=1e-6)


amounts = st.floats(0.001, 0.2)


@given(st.floats(0.002, 0.9), st.floats(0.01, 1.5), amounts, amounts)
def test_sharing_out_is_an_equilibrium(
    water_k: float, methanol_k: float, water: float, methanol: float
) -> None:
    """Shares in the gas are K times those in the liquid; dry only where no liquid could last."""
    steam, _, spirit, _, laar, _ = share_out(water_k, 0.06, methanol_k, 0.05, water, methanol, 0.3)
    gas = 1.0 + steam + spirit
    left_water, left_methanol = water - steam, methanol - spirit
    left = left_water + left_methanol
    assert 0.0 < steam <= water
    assert 0.0 < spirit <= methanol
    if left == 0.0:
        assert steam / gas / water_k + spirit / gas / methanol_k <= 1.0 + 1e-9
        return
    if left > 1e-6:
        assert steam / gas == pytest.approx(water_k * left_water / left, rel=1e-6)
        assert spirit / gas == pytest.approx(methanol_k * left_methanol / left, rel=1e-6)
        assert laar == pytest.approx(laar_share(left_methanol, left_water), rel=1e-6)


@given(st.floats(0.01, 1.5), amounts, st.floats(0.0, 0.2))
def test_sharing_out_methanol_is_too(methanol_k: float, methanol: float, water: float) -> None:
    """The like beside water that stays where it is."""
    spirit, _, _, _ = share_out_methanol(methanol_k, 0.05, 1.01, water, methanol, 0.3)
    gas, left = 1.01 + spirit, methanol - spirit
    assert 0.0 <= spirit <= methanol
    if left == 0.0:
        assert water < 1e-9
        assert spirit / gas <= methanol_k + 1e-9
    elif left > 1e-6:
        assert spirit / gas == pytest.approx(methanol_k * left / (left + water), rel=1e-6)


def test_gains_are_derivatives() -> None:
    """What sharing out says the gas gains a kelvin is what a warmer K brings."""
    water_slope, methanol_slope, h = 0.06, 0.05, 1e-4

    def warmer(step: float) -> tuple[float, float, float]:
        water_k, methanol_k = 0.02 * exp(water_slope * step), 0.09 * exp(methanol_slope * step)
        found = share_out(water_k, water_slope, methanol_k, methanol_slope, 0.03, 0.02, 0.3)
        alone = share_out_methanol(methanol_k, methanol_slope, 1.01, 0.03, 0.02, 0.3)
        return found[0], found[2], alone[0]

    found = share_out(0.02, water_slope, 0.09, methanol_slope, 0.03, 0.02, 0.3)
    alone = share_out_methanol(0.09, methanol_slope, 1.01, 0.03, 0.02, 0.3)
    numeric = [(a - b) / (2.0 * h) for a, b in zip(warmer(h), warmer(-h), strict=True)]
    assert [found[1], found[3], alone[1]] == pytest.approx(numeric, rel=1e-5)


def test_stoichiometric_air() -> None:
    """Methanol, ethanol, isooctane, toluene, two petrols and water, from the elements (molmass)."""
    for atoms, air in AIR:
        assert stoichiometric_air(*atoms) == pytest.approx(air, abs=0.005)


def test_constants_of_methanol_as_a_fuel() -> None:
    """Its air is the function's; its heat follows from CRC formation enthalpies (US DOE: 20.09)."""
    assert stoichiometric_air(1.0, 4.0, 1.0) == pytest.approx(
        mixture.METHANOL_STOICHIOMETRIC_AIR, abs=5e-4
    )
    kj_mol = 393.51 + 2.0 * 241.826 - 239.2
    assert kj_mol / 32.04216 == pytest.approx(mixture.METHANOL_LOWER_HEAT_MJ_KG, rel=1e-3)
    assert kj_mol / 32.04216 == pytest.approx(20.09, rel=0.01)
    assert pytest.approx(mixture.PETROL_LOWER_HEAT_MJ_KG, rel=0.01) == 43.44


def test_methanol_counts_as_fuel() -> None:
    """200 g/s of air, 16 of petrol, 1.5 of methanol: losing the spray leans by 0.034 lambda."""
    assert lambda_ratio(200.0, 16.0, 0.0, 14.7) == pytest.approx(0.85034, abs=1e-5)
    assert lambda_ratio(200.0, 16.0, 1.5, 14.7) == pytest.approx(0.81663, abs=1e-5)
    assert pytest.approx(0.44034, abs=1e-5) == mixture.METHANOL_STOICHIOMETRIC_AIR / 14.7
    by_energy = mixture.METHANOL_LOWER_HEAT_MJ_KG / mixture.PETROL_LOWER_HEAT_MJ_KG
    assert by_energy == pytest.approx(0.4582, rel=0.01)


KERNEL = [f for f in vars(mixture).values() if isinstance(f, FunctionType)]
KERNEL = [f for f in KERNEL if f.__module__ == mixture.__name__]


@pytest.mark.parametrize("function", KERNEL)
def test_compiled_is_interpreted(function: Callable[..., Any]) -> None:
    """Each function gives the same bits compiled and interpreted, at 300 points."""
    for other in KERNEL:
        register_jitable(other)
    options: dict[str, Any] = {"nogil": True, "_nrt": False}
    compiled = numba.njit(**options)(function)
    low, high = np.array([SPANS[name] for name in signature(function).parameters]).T
    for row in np.random.default_rng(5).random((300, len(low))):
        point = [float(value) for value in low + (high - low) * row]
        assert compiled(*point) == function(*point)
