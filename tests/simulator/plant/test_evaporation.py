"""What the spray does to the charge, against psychrometrics and equations of state."""

from collections.abc import Callable
from inspect import signature
from math import exp, log, log2
from types import FunctionType, ModuleType
from typing import Any

import numba
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba.extending import register_jitable
from scipy.optimize import brentq
from scipy.special import gamma

import rules.step.compiled  # noqa: F401  (makes rules.step.arithmetic callable from compiled code)
from simulator.plant import evaporation, mixture
from simulator.plant.evaporation import (
    charge_after,
    cooled_c,
    drop_c,
    droplet_um,
    evaporated_share,
    in_cylinder_drop_k,
)
from tests.kit.coolprop import HAPropsSI, PropsSI
from tests.kit.psychro import psychrolib

PLENTY = 0.15  # kg of liquid per kg of air
# Thermodynamic wet bulb of dry air: degC, Pa; psychrolib's wet bulb and humidity, CoolProp's.
WET_BULB = [
    (40.0, 101325.0, 14.587, 0.010363, 14.556), (60.0, 101325.0, 21.249, 0.015902, 21.218),
    (60.0, 150000.0, 25.802, 0.014094, 25.766), (60.0, 200000.0, 29.083, 0.012782, 29.042),
    (80.0, 200000.0, 35.489, 0.018515, 35.450), (100.0, 250000.0, 43.979, 0.023495, 43.938),
    (25.0, 101325.0, 8.271, 0.006781, 8.243),
]  # fmt: skip
# The end with liquid of 25 degC (ASHRAE enthalpy constants, psychrolib).
END = [
    (40.0, 101325.0, 14.755, 0.01048), (60.0, 101325.0, 21.321, 0.01597),
    (60.0, 200000.0, 29.007, 0.01272), (80.0, 200000.0, 35.264, 0.01828),
    (100.0, 250000.0, 43.528, 0.02293),
]  # fmt: skip
# Drops below saturation, liquid of 25 degC: balance of ASHRAE enthalpies; with CoolProp's dry air.
WATER_DROP = [
    (60.0, 0.005, 12.351), (60.0, 0.01, 24.477), (60.0, 0.015, 36.386), (80.0, 0.01, 24.84),
    (100.0, 0.02, 49.508),
]  # fmt: skip
MIX_DROP = [
    (60.0, 0.01, 0.0, 11.936), (60.0, 0.02, 0.0, 23.556), (60.0, 0.00442, 0.00558, 18.94),
    (60.0, 0.00884, 0.01116, 37.296), (80.0, 0.01, 0.0, 12.201), (80.0, 0.00442, 0.00558, 19.24),
    (100.0, 0.01, 0.0, 12.471), (100.0, 0.00442, 0.00558, 19.539),
]  # fmt: skip
SPANS = {
    "dry_c": (10.0, 130.0), "pressure_kpa": (60.0, 320.0), "water_kg_kg": (0.0, 0.04),
    "methanol_kg_kg": (0.0, 0.04), "humidity_kg_kg": (0.0, 0.02), "liquid_c": (0.0, 50.0),
    "guess_c": (0.0, 60.0), "guess_water_kg_kg": (-0.02, 0.02), "guess_methanol_kg_kg": (0.0, 0.02),
    "droplet_um": (10.0, 80.0), "residence_s": (0.0, 0.08), "charge_c": (10.0, 100.0),
    "methanol_share": (0.0, 1.0), "pressure_drop_kpa": (-50.0, 1500.0), "nozzle_g_s": (0.0, 10.0),
    "viscosity_mpa_s": (0.5, 3.0), "surface_mn_m": (20.0, 75.0), "air_kg_m3": (0.5, 4.0),
    "effective_share": (0.0, 1.0),
}  # fmt: skip


@pytest.fixture(scope="module")
def psychro() -> ModuleType:
    """Return psychrolib."""
    return psychrolib()


def settled(
    dry_c: float, kpa: float, water: float, methanol: float, humidity: float, liquid_c: float
) -> tuple[float, float, float]:
    """Return the end state, called until the guess is the answer, as a plant at rest would."""
    end = (dry_c, 0.0, 0.0)
    for _ in range(4):
        end = charge_after(dry_c, kpa, water, methanol, humidity, liquid_c, *end)
    return end


def wet_bulb_c(dry_c: float, kpa: float, humidity: float) -> float:
    """Return where plenty of water ends that is sprayed as warm as the end."""

    def over(t: float) -> float:
        return settled(dry_c, kpa, PLENTY, 0.0, humidity, t)[0] - t

    return float(brentq(over, -15.0, dry_c + 1.0, xtol=1e-6))


def enthalpy(t: float, vapour: float, methanol: float) -> float:
    """Return the enthalpy of moist air with methanol in it, kJ per kg of dry air (ASHRAE)."""
    spirit = 1169.0 + 2.535 * 25.0 + 1.38 * (t - 25.0)
    return 1.006 * t + vapour * (2501.0 + 1.86 * t) + methanol * spirit


def moles(vapour: float, methanol: float) -> tuple[float, float]:
    """Return the molar shares of water and methanol in the gas from kg per kg of dry air."""
    steam, spirit = vapour * 28.966 / 18.015268, methanol * 28.966 / 32.04216
    return steam / (1.0 + steam + spirit), spirit / (1.0 + steam + spirit)


def test_wet_bulb_of_dry_air() -> None:
    """Plenty of water ends at the wet bulb: psychrolib to 0.05 K and 1e-4, real gas likewise."""
    for dry_c, pa, wet_c, humidity, real_c in WET_BULB:
        end_c, water, _ = settled(dry_c, 1e-3 * pa, PLENTY, 0.0, 0.0, wet_c)
        assert end_c == pytest.approx(wet_c, abs=0.05)
        assert water == pytest.approx(humidity, abs=1e-4)
        assert end_c == pytest.approx(real_c, abs=0.05)


def test_saturation_with_liquid_at_25() -> None:
    """The end against the stated constants, to 0.02 K and the printed humidity; boost costs it."""
    for dry_c, pa, end_c, humidity in END:
        found_c, water, _ = settled(dry_c, 1e-3 * pa, PLENTY, 0.0, 0.0, 25.0)
        assert found_c == pytest.approx(end_c, abs=0.02)
        assert water == pytest.approx(humidity, abs=1.2e-5)
        barely = settled(dry_c, 1e-3 * pa, 1.003 * water, 0.0, 0.0, 25.0)
        assert barely[1] == pytest.approx(water, rel=1e-4)


def test_spray_that_evaporates_in_full() -> None:
    """Water to 0.01 K (and latent heat over 1.005, itself 2.2 % off, to 2.5), mixes to 0.1 K."""
    for dry_c, water, drop_k in WATER_DROP:
        end_c, gone, _ = charge_after(dry_c, 101.325, water, 0.0, 0.0, 25.0, dry_c, 0.0, 0.0)
        assert gone == water
        assert dry_c - end_c == pytest.approx(drop_k, abs=0.01)
        assert dry_c - end_c == pytest.approx(water * 2441.68 / 1.005, rel=0.025)
    for dry_c, methanol, water, drop_k in MIX_DROP:
        assert dry_c - cooled_c(dry_c, water, methanol, 0.0, 25.0) == pytest.approx(drop_k, abs=0.1)


def test_ashrae_cases(psychro: ModuleType) -> None:
    """Humidity from 30/25 degC at 95461 Pa to 3e-4, wet bulb at 7 degC and 61 % (ASHRAE tables)."""
    w = brentq(lambda h: settled(30.0, 95.461, PLENTY, 0.0, h, 25.0)[0] - 25.0, 0.01, 0.02)
    assert w == pytest.approx(0.0192281274241096, rel=3e-4)
    vapour = psychro.GetHumRatioFromRelHum(7.0, 0.61, 100000.0)
    assert wet_bulb_c(7.0, 100.0, vapour) == pytest.approx(3.92667433781955, abs=0.01)


@pytest.mark.parametrize("kpa", [101.325, 200.0, 300.0])
def test_wet_bulb_of_moist_air(psychro: ModuleType, kpa: float) -> None:
    """Psychrolib to 0.005 K; CoolProp's real air to 0.06 K, and 0.14 K at 300 kPa."""
    for dry_c in (20.0, 40.0, 60.0, 80.0, 120.0):
        for humidity in (0.0, 0.004, 0.012):
            if humidity > 0.9 * psychro.GetSatHumRatio(dry_c, 1e3 * kpa):
                continue
            state = ("T", dry_c + 273.15, "P", 1e3 * kpa, "W", humidity)
            wet_c = wet_bulb_c(dry_c, kpa, humidity)
            ideal_c = psychro.GetTWetBulbFromHumRatio(dry_c, humidity, 1e3 * kpa)
            assert wet_c == pytest.approx(ideal_c, abs=0.005)
            assert wet_c == pytest.approx(HAPropsSI("B", *state) - 273.15, abs=0.02 + 4e-4 * kpa)


@pytest.mark.parametrize("kpa", [101.325, 200.0])
def test_drops_against_real_moist_air(kpa: float) -> None:
    """Below saturation the end is CoolProp's: real enthalpies in and out, to 0.15 K."""
    for dry_c in (40.0, 60.0, 80.0, 100.0):
        for water in (0.002, 0.005, 0.01):
            end_c, gone, _ = settled(dry_c, kpa, water, 0.0, 0.004, 25.0)
            if gone < water:
                continue
            before = HAPropsSI("H", "T", dry_c + 273.15, "P", 1e3 * kpa, "W", 0.004)
            liquid = PropsSI("H", "T", 298.15, "P", 1e3 * kpa, "Water")
            liquid -= PropsSI("H", "T", 273.16, "Q", 0, "Water")
            after = ("P", 1e3 * kpa, "W", 0.004 + water, "H", before + water * liquid)
            assert end_c == pytest.approx(HAPropsSI("T", *after) - 273.15, abs=0.15)


@pytest.mark.parametrize("kpa", [101.325, 200.0])
def test_methanol_saturates_too(kpa: float) -> None:
    """Plenty of methanol ends where its vapour is at the pressure of the liquid (CoolProp)."""
    for dry_c in (30.0, 60.0, 90.0, 120.0):
        end_c, _, gone = settled(dry_c, kpa, 0.0, 0.2, 0.0, 25.0)
        pa = PropsSI("P", "T", end_c + 273.15, "Q", 0, "Methanol")
        assert gone < 0.2
        assert 1e3 * kpa * moles(0.0, gone)[1] == pytest.approx(pa, rel=0.012)


def other_way(
    dry_c: float, kpa: float, water: float, methanol: float, liquid_c: float
) -> tuple[float, float, float]:
    """Return the end in dry air by bisection on temperature and on liquid, activities iterated."""
    z = np.array([water / 18.015268, methanol / 32.04216]) * 28.966

    def excess(s: float, k: Any) -> float:
        return float((z * (1.0 - k) / (s + k)).sum() - 1.0)

    def flash(t: float) -> tuple[float, float]:
        pure = np.array([mixture.water_vapour_kpa(t), mixture.methanol_vapour_kpa(t)])
        x, gas = z / z.sum(), z
        for _ in range(60):
            laar = mixture.laar_share(x[1], x[0])
            activity = [mixture.ln_water_activity(laar), mixture.ln_methanol_activity(laar)]
            k = np.exp(activity) * pure / kpa
            s = 0.0 if excess(0.0, k) <= 0.0 else brentq(excess, 0.0, 1e3, args=(k,), xtol=1e-15)
            gas, liquid = z * k / (s + k), z / (s + k)
            x = liquid / liquid.sum()
        return float(gas[0] * 18.015268 / 28.966), float(gas[1] * 32.04216 / 28.966)

    def over(t: float) -> float:
        return t - cooled_c(dry_c, *flash(t), 0.0, liquid_c)

    t = brentq(over, -19.0, dry_c, xtol=1e-6)
    return (float(t), *flash(t))


def test_the_end_by_another_way() -> None:
    """Sixteen mixes, found by nested bisection, come out the same to 0.02 K and 0.3 %."""
    for water, methanol in ((0.0112, 0.0088), (0.03, 0.01), (0.02, 0.05), (0.001, 0.04)):
        for dry_c, kpa in ((45.0, 101.325), (60.0, 200.0), (90.0, 150.0), (110.0, 280.0)):
            end = other_way(dry_c, kpa, water, methanol, 25.0)
            found = charge_after(dry_c, kpa, water, methanol, 0.0, 25.0, dry_c, 0.0, 0.0)
            assert found[0] == pytest.approx(end[0], abs=0.02)
            assert found[1:] == pytest.approx(end[1:], rel=3e-3, abs=2e-5)


airs = {"dry_c": st.floats(-30.0, 150.0), "kpa": st.floats(50.0, 350.0)}
airs |= {"humidity": st.floats(0.0, 0.03), "liquid_c": st.floats(-10.0, 60.0)}
# Half of the smallest float there is can't be told from it, so no share of that can be told either.
flows = st.floats(0.0, 0.1, allow_subnormal=False)
liquids = {"water": flows, "methanol": flows}
gases = {"charge_c": st.floats(10.0, 110.0), "kpa": st.floats(80.0, 320.0)}
gases["humidity"] = st.floats(0.0, 0.02)


@given(**airs, **liquids)
def test_energy_is_kept_and_nothing_is_overdone(
    dry_c: float, kpa: float, humidity: float, liquid_c: float, water: float, methanol: float
) -> None:
    """Enthalpy in is enthalpy out; no more goes than came; -20 to dry; vapour in balance."""
    end_c, w, m = charge_after(dry_c, kpa, water, methanol, humidity, liquid_c, dry_c, 0.0, 0.0)
    before = enthalpy(dry_c, humidity, 0.0) + (4.186 * w + 2.535 * m) * liquid_c
    assert enthalpy(end_c, humidity + w, m) == pytest.approx(before, abs=1e-9)
    assert 0.0 <= w <= water
    assert 0.0 <= m <= methanol
    assert min(-20.0, dry_c) <= end_c <= dry_c
    steam, spirit = moles(humidity + w, m)
    if w > 0.0:
        assert kpa * steam <= 1.003 * mixture.water_vapour_kpa(end_c)
    if m > 0.0:
        assert kpa * spirit <= 1.003 * mixture.methanol_vapour_kpa(end_c)
    # Where liquid of both is left over, each vapour is at its own pressure over that mix.
    left_water, left = (water - w) / 18.015268, (methanol - m) / 32.04216
    if end_c <= -20.0 or min(w, m, left_water, left) < 1e-5:
        return
    x = left / (left + left_water)
    laar = mixture.laar_share(x, 1.0 - x)
    over = (1.0 - x) * exp(mixture.ln_water_activity(laar)) * mixture.water_vapour_kpa(end_c)
    assert kpa * steam == pytest.approx(over, rel=0.01)
    over = x * exp(mixture.ln_methanol_activity(laar)) * mixture.methanol_vapour_kpa(end_c)
    assert kpa * spirit == pytest.approx(over, rel=0.01)


@given(**airs, water=st.floats(0.0, 0.1), share=st.floats(0.0, 1.0))
def test_more_spray_never_warms(
    dry_c: float, kpa: float, humidity: float, liquid_c: float, water: float, share: float
) -> None:
    """More water, or more of any mix, leaves the charge no warmer; boost lets less evaporate."""
    for methanol in (0.0, share):
        amounts = [(scale * water * (1.0 - methanol), scale * water * methanol) for scale in (1, 2)]
        once, twice = (settled(dry_c, kpa, *amount, humidity, liquid_c) for amount in amounts)
        assert twice[0] <= once[0] + 0.02
        boosted = settled(dry_c, 1.3 * kpa, *amounts[0], humidity, liquid_c)
        assert boosted[0] >= once[0] - 0.02
    plenty = settled(dry_c, kpa, PLENTY, 0.0, humidity, liquid_c)
    assert settled(dry_c, 1.3 * kpa, PLENTY, 0.0, humidity, liquid_c)[1] <= plenty[1] + 1e-12


@given(**airs, **liquids, which=st.integers(0, 5))
def test_no_jumps(which: int, **at: float) -> None:
    """A change of 1e-4 of an input moves the end by less than 0.05 K, whatever the guess."""

    def end(now: dict[str, float], *guess: float) -> tuple[float, float, float]:
        order = ("dry_c", "kpa", "water", "methanol", "humidity", "liquid_c")
        found: tuple[float, float, float] = charge_after(*[now[name] for name in order], *guess)
        return found

    name = sorted(at)[which]
    near = at | {name: at[name] + 1e-4 * max(abs(at[name]), 1e-3)}
    here = end(at, at["dry_c"], 0.0, 0.0)
    assert end(near, at["dry_c"], 0.0, 0.0)[0] == pytest.approx(here[0], abs=0.05)
    assert end(near, *here)[0] == pytest.approx(here[0], abs=0.05)
    assert end(near, here[0], 0.0, 1e-4)[0] == pytest.approx(here[0], abs=0.05)


def test_limits() -> None:
    """Nothing from no liquid, in air too cold or over-full already; methanol stops at -20 degC."""
    assert charge_after(60.0, 200.0, 0.0, 0.0, 0.03, 25.0, 0.0, 0.0, 0.0) == (60.0, 0.0, 0.0)
    assert charge_after(-25.0, 200.0, 0.01, 0.01, 0.0, 5.0, 0.0, 0.0, 0.0) == (-25.0, 0.0, 0.0)
    assert charge_after(25.0, 250.0, 0.02, 0.0, 0.02, 25.0, 9.0, 0.0, 0.0) == (25.0, 0.0, 0.0)
    end_c, _, methanol = charge_after(-10.0, 60.0, 0.0, 0.1, 0.0, 0.0, -10.0, 0.0, 0.0)
    assert end_c == -20.0
    assert 0.0 < methanol < 0.02


@pytest.mark.parametrize("kpa", [400.0, 800.0, 1200.0])
def test_drops_of_a_nozzle(kpa: float) -> None:
    """A fine nozzle in boost: 30 to 55 um, Lefebvre's relation in SI units, as dp^-0.375."""
    g_s = 1.6 * (kpa / 800.0) ** 0.5
    found = droplet_um(kpa, g_s, 1.82, 40.0, 2.1)
    si = 2.25 * (0.040 * 1.82e-3 * 1e-3 * g_s / ((1e3 * kpa) ** 2 * 2.1)) ** 0.25
    assert found == pytest.approx(1e6 * si, rel=1e-9)
    assert 30.0 < found < 55.0
    ratio = droplet_um(2.0 * kpa, g_s * 2.0**0.5, 1.82, 40.0, 2.1) / found
    assert log2(ratio) == pytest.approx(-0.375, abs=1e-9)


def test_no_pressure_no_drops() -> None:
    """Without pressure across it a nozzle dribbles: the largest drop."""
    assert droplet_um(-3.0, 1.0, 1.0, 72.0, 1.2) == droplet_um(0.1, 1.0, 1.0, 72.0, 1.2) == 500.0


@pytest.mark.parametrize("kpa", [101.325, 200.0, 300.0])
def test_a_water_drop_is_a_wet_bulb(psychro: ModuleType, kpa: float) -> None:
    """Its temperature is psychrolib's wet bulb to 0.5 K, air no warmer than it is to nought."""
    for charge_c in (20.0, 40.0, 60.0, 90.0):
        for humidity in (0.0, 0.004, 0.008):
            if humidity < 0.9 * psychro.GetSatHumRatio(charge_c, 1e3 * kpa):
                wet_c = psychro.GetTWetBulbFromHumRatio(charge_c, humidity, 1e3 * kpa)
                assert drop_c(charge_c, kpa, humidity, 0.0) == pytest.approx(wet_c, abs=0.5)


def test_share_of_a_typical_spray() -> None:
    """A 50/50 pour of 20 to 40 um, 20 to 40 ms in charge of 60 degC, loses 0.2 to 0.75."""
    share = evaporated_share(30.0, 0.03, 60.0, 200.0, 0.005, 0.442)
    assert 0.4 < share < 0.7
    assert evaporated_share(20.0, 0.04, 60.0, 200.0, 0.005, 0.442) > 0.7
    assert evaporated_share(40.0, 0.02, 60.0, 200.0, 0.005, 0.442) > 0.2
    assert evaporated_share(30.0, 0.03, 60.0, 200.0, 0.005, 0.0) < share
    assert evaporated_share(30.0, 0.03, 60.0, 200.0, 0.005, 1.0) > share
    assert evaporated_share(30.0, 0.0, 60.0, 200.0, 0.005, 0.442) == 0.0
    assert evaporated_share(30.0, 0.03, 20.0, 200.0, 0.02, 0.0) == 0.0  # air that is full


@given(um=st.floats(10.0, 80.0), s=st.floats(0.0, 0.1), methanol=st.floats(0.0, 1.0), **gases)
def test_share_grows_the_way_it_should(
    um: float, s: float, methanol: float, charge_c: float, kpa: float, humidity: float
) -> None:
    """Finer drops, more time, warmer air evaporate more; moister air less; always 0 to 1."""
    share = evaporated_share(um, s, charge_c, kpa, humidity, methanol)
    assert 0.0 <= share <= 1.0
    assert evaporated_share(0.8 * um, s, charge_c, kpa, humidity, methanol) >= share
    assert evaporated_share(um, s + 0.01, charge_c, kpa, humidity, methanol) >= share
    assert evaporated_share(um, s, charge_c + 5.0, kpa, humidity, methanol) >= share - 1e-3
    assert evaporated_share(um, s, charge_c, kpa, humidity + 0.003, methanol) <= share + 1e-3


@pytest.mark.parametrize(("fluid", "latent_j_kg"), [("Water", 2.4417e6), ("Methanol", 1.169e6)])
def test_share_is_the_d_squared_law_over_a_spread(fluid: str, latent_j_kg: float) -> None:
    """CoolProp's dry air of 60 degC and liquid, the drop's wet bulb, 20000 drops, to 0.01."""
    share = float(fluid == "Methanol")
    surface_c = drop_c(60.0, 101.325, 0.0, share)
    vapour = PropsSI("P", "T", surface_c + 273.15, "Q", 0, fluid) / 101325.0
    air = ("T", 0.5 * (surface_c + 60.0) + 273.15, "P", 101325.0, "Air")
    rho, heat, mu, k = (PropsSI(name, *air) for name in "DCVL")
    transfer = heat * (60.0 - surface_c) / latent_j_kg
    molar_kg = PropsSI("M", fluid) / 0.028966
    assert transfer == pytest.approx(molar_kg * vapour / (1.0 - vapour), rel=0.02)
    stirred = 1.0 + 0.3 * (rho * 5.0 * 30e-6 / mu) ** 0.5 * (mu * heat / k) ** (1.0 / 3.0)
    liquid = PropsSI("D", "T", 298.15, "Q", 0, fluid)
    rate = 8.0 * k / (liquid * heat) * log(1.0 + transfer) * stirred
    spread = gamma(0.6) * (-np.log((np.arange(20000) + 0.5) / 20000)) ** 0.4
    for seconds in (0.005, 0.02, 0.05, 0.1):
        lives = rate * seconds / (30e-6 * spread) ** 2
        gone = float(np.mean(1.0 - np.clip(1.0 - lives, 0.0, None) ** 1.5))
        found = evaporated_share(30.0, seconds, 60.0, 101.325, 0.0, share)
        assert found == pytest.approx(gone, abs=0.01)


def test_liquid_that_reaches_the_cylinder() -> None:
    """A gram of water per kg of air is worth 2.43 K, of methanol 1.16, walls take their part."""
    assert in_cylinder_drop_k(0.001, 0.0, 1.0) == pytest.approx(2.4417 / 1.006, rel=0.003)
    assert in_cylinder_drop_k(0.0, 0.001, 1.0) == pytest.approx(1.169 / 1.006, rel=0.003)
    assert in_cylinder_drop_k(0.01, 0.008, 0.0) == 0.0
    half, all_of_it = (in_cylinder_drop_k(0.01, 0.008, share) for share in (0.5, 1.0))
    assert 0.5 < half / all_of_it < 0.52


def kernel(module: ModuleType) -> list[FunctionType]:
    """Return the module's own functions."""
    found = [value for value in vars(module).values() if isinstance(value, FunctionType)]
    return [function for function in found if function.__module__ == module.__name__]


@pytest.mark.parametrize("function", [f for f in kernel(evaporation) if f.__name__[0] != "_"])
def test_compiled_is_interpreted(function: Callable[..., Any]) -> None:
    """Each function gives the same bits compiled and interpreted, at 400 points."""
    for other in (*kernel(mixture), *kernel(evaporation)):
        register_jitable(other)
    options: dict[str, Any] = {"nogil": True, "_nrt": False}
    compiled = numba.njit(**options)(function)
    low, high = np.array([SPANS[name] for name in signature(function).parameters]).T
    for row in np.random.default_rng(5).random((400, len(low))):
        point = [float(value) for value in low + (high - low) * row]
        assert compiled(*point) == function(*point)
