"""Where the air takes no more, how far spray cools, and what that may be worth in knock."""

import pytest
from hypothesis import given
from hypothesis import strategies as some

from simulator.planning.cooling import (
    Air,
    all_drop_k,
    assumed_charge_c,
    assumed_humidity_kg_kg,
    boost_worth_kpa,
    intake_drop_k,
    octane_band,
)
from tests.kit.planning import rig_of
from tests.kit.psychro import psychrolib

# Adiabatic saturation of dry air: degC, kPa; where it ends and with how much water (psychrolib,
# ASHRAE Handbook Fundamentals ch. 1), real gas (CoolProp).
WET_BULB = [
    (40, 101.325, 14.587, 0.010363, 14.556),
    (60, 101.325, 21.249, 0.015902, 21.218),
    (60, 150.0, 25.802, 0.014094, 25.766),
    (60, 200.0, 29.083, 0.012782, 29.042),
    (80, 200.0, 35.489, 0.018515, 35.45),
    (100, 250.0, 43.979, 0.023495, 43.938),
    (25, 101.325, 8.271, 0.006781, 8.243),
]
# The same with liquid of 25 degC: ASHRAE enthalpy constants (psychrolib).
LIQUID_25 = [
    (40, 101.325, 14.755, 0.01048),
    (60, 101.325, 21.321, 0.01597),
    (60, 200.0, 29.007, 0.01272),
    (80, 200.0, 35.264, 0.01828),
    (100, 250.0, 43.528, 0.02293),
]
# Drops below saturation, liquid of 25 degC: methanol and water, kg per kg of dry air; K (CoolProp).
MIXES = [
    (60, 0.01, 0.0, 11.936), (60, 0.00442, 0.00558, 18.94), (80, 0.01, 0.0, 12.201),
    (80, 0.00442, 0.00558, 19.24), (100, 0.00442, 0.00558, 19.539),
]  # fmt: skip
CHARGE = some.floats(20.0, 140.0)
SHARE = some.floats(0.0, 1.0)


@pytest.mark.parametrize(("dry", "kpa", "wet", "kg_kg", "real"), WET_BULB)
def test_water_ends_at_the_wet_bulb(
    dry: float, kpa: float, wet: float, kg_kg: float, real: float
) -> None:
    """Liquid as cold as the wet bulb: psychrolib to 0.05 K and 1e-4 kg/kg; real gas to 0.1 K."""
    most, end_c = Air(dry, kpa, 0.0, 0.0, wet).saturates_at()
    assert end_c == pytest.approx(wet, abs=0.05)
    assert end_c == pytest.approx(real, abs=0.1)
    assert most == pytest.approx(kg_kg, abs=1e-4)


@pytest.mark.parametrize(("dry", "kpa", "end", "kg_kg"), LIQUID_25)
def test_saturation_with_a_tank_at_25(dry: float, kpa: float, end: float, kg_kg: float) -> None:
    """0.02 K against the same constants, and what is sprayed beyond cools no further."""
    air = Air(dry, kpa, 0.0, 0.0, 25.0)
    most, end_c = air.saturates_at()
    assert end_c == pytest.approx(end, abs=0.02)
    assert most == pytest.approx(kg_kg, abs=2e-5)
    assert air.after(3.0 * most)[0] == pytest.approx(end_c, abs=0.05)


def test_moist_air_takes_less() -> None:
    """Moist air ends at psychrolib's wet bulb too, on less water."""
    for vapour in (0.0, 0.006, 0.012):
        wet = psychrolib().GetTWetBulbFromHumRatio(60.0, vapour, 200_000.0)
        assert Air(60.0, 200.0, 0.0, vapour, wet).saturates_at()[1] == pytest.approx(wet, abs=0.05)


@pytest.mark.parametrize(("dry", "methanol", "water", "drop"), MIXES)
def test_mixes_below_saturation(dry: float, methanol: float, water: float, drop: float) -> None:
    """A pour of methanol and water, given time: CoolProp's enthalpies to 0.1 K."""
    air = Air(dry, 300.0, methanol / (methanol + water), 0.0, 25.0)
    assert intake_drop_k(air, methanol + water, 1.0) == pytest.approx(drop, abs=0.1)


def test_a_charge_that_nobody_measured() -> None:
    """Pressure ratio 1.68: 366.2 K behind a compressor of 0.70, 318.6 K behind a cooler of 0.70.

    At 298.15 K, gamma 1.4: isentropic-efficiency relation and a cooler's effectiveness.
    """
    rig = rig_of("brindle")
    boost_kpa = 0.68 * rig.engine.ambient_kpa
    assert assumed_charge_c(rig, boost_kpa, 25.0) + 273.15 == pytest.approx(318.566, abs=1e-3)
    assert assumed_charge_c(rig_of("quarrick"), -10.0, 25.0) == 50.0


def test_cold_air_brings_less_vapour() -> None:
    """A mild day's 6 g a kg; at 1 degC what psychrolib's saturated air holds."""
    rig = rig_of("brindle")
    assert assumed_humidity_kg_kg(rig, 25.0) == 0.006
    held = psychrolib().GetSatHumRatio(1.0, 1e3 * rig.engine.ambient_kpa)
    assert assumed_humidity_kg_kg(rig, 1.0) == pytest.approx(held, rel=2e-3)


def test_what_cooling_is_worth() -> None:
    """24.5 K, 10 g of water a kg of air: 3.5 octane numbers by Russ (SAE 960497), less on roads.

    Road studies (Hamilton, Gasoline FAQ part 3): 0.79 to 0.96 MON for 10 K; both lie in the band.
    Three to four numbers are 10 kPa of boost (Russ).
    """
    least, most = octane_band(24.5, 24.5)
    assert most == pytest.approx(3.5)
    for mon_per_10_k in (0.786, 0.964):
        assert least < 2.45 * mon_per_10_k < most
    assert boost_worth_kpa((3.0, 3.0)) == pytest.approx((7.5, 10.0))


@given(CHARGE, some.floats(90.0, 400.0), SHARE, some.floats(0.0, 0.1), some.floats(0.0, 0.1))
def test_more_spray_is_never_warmer(
    dry: float, kpa: float, methanol: float, one: float, other: float
) -> None:
    """More spray cools at least as far; no more evaporates than was sprayed."""
    air = Air(dry, kpa, methanol, 0.006, 25.0)
    less, more = sorted((one, other))
    warm, gone = air.after(less)
    assert air.after(more)[0] <= warm + 0.05
    assert warm <= dry + 1e-9
    assert gone <= less + 1e-12


@given(CHARGE, some.floats(90.0, 250.0), SHARE)
def test_boost_lets_the_air_take_less(dry: float, kpa: float, methanol: float) -> None:
    """At half as much pressure again the air takes less before it is saturated."""
    thin, thick = (Air(dry, part * kpa, methanol, 0.006, 25.0) for part in (1.0, 1.5))
    assert thick.saturates_at()[0] <= thin.saturates_at()[0] + 1e-6


@given(CHARGE, SHARE, some.floats(0.0, 0.06), SHARE, SHARE, SHARE)
def test_what_evaporates_later_cools_too(
    dry: float, methanol: float, kg_kg: float, one: float, other: float, later: float
) -> None:
    """In all it cools by no less than in the intake, and by no less where more evaporates."""
    air = Air(dry, 250.0, methanol, 0.006, 25.0)
    less, more = sorted((one, other))
    assert all_drop_k(air, kg_kg, less, later) >= intake_drop_k(air, kg_kg, less) - 1e-9
    assert intake_drop_k(air, kg_kg, more) >= intake_drop_k(air, kg_kg, less) - 0.05
