"""What nozzles and pump deliver: published orifices and nozzles, the plant, and what must hold."""

from dataclasses import replace
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as some

from rules.facts import Nozzle
from simulator.planning.delivery import (
    RATED_V,
    clearance_ml,
    delivered,
    hole_mm,
    ignoring_boost_pct,
    most_boost_kpa,
    orifice_ml_min,
    rating_for,
    rating_ml_min,
    scaled,
    siphon_ml_min,
)
from simulator.plant.hydraulics import flow_at_speed, full_flow_ml_min
from simulator.plant.sizing import size
from tests.kit.planning import RIGS, rig_of
from tests.kit.plants import scenario

GPM_ML_MIN = 3785.411784
INCH_MM = 25.4
PSI_KPA = 6.894757293168


def test_orifices() -> None:
    """Q = Cd A sqrt(2 dp / rho), Cd 0.62 (e.g. Crane TP-410); the last is a 50/50 pour's."""
    for hole, kpa, kg_m3, flow in (
        (0.5, 1000.0, 998.2, 326.948),
        (0.5, 800.0, 998.2, 292.431),
        (1.0, 700.0, 998.2, 1094.178),
        (0.5, 1000.0, 926.9, 339.29),
    ):
        assert orifice_ml_min(hole, kpa, kg_m3) == pytest.approx(flow, rel=1e-5)
    # A textbook's exercise: 16 mm, 1.5 m of water (9.81 m/s2), 0.65 L/s: Cd 0.60 as printed.
    kpa = 998.2 * 9.81 * 1.5e-3
    assert 0.65 * 60e3 / orifice_ml_min(16.0, kpa, 998.2, 1.0) == pytest.approx(0.6, abs=0.005)
    # Fire-protection hydraulics: gpm = 29.84 Cd d^2 sqrt(psi / SG), inches.
    gpm = orifice_ml_min(INCH_MM, PSI_KPA, 998.2, 1.0) / GPM_ML_MIN
    assert gpm == pytest.approx(29.84, abs=0.02)


def test_a_measured_nozzle() -> None:
    """Straight bores, 35 to 55 psi (agricultural extension's sprinkler bulletin): the root law."""
    psi = (35, 40, 45, 50, 55)
    for gpm, within in (
        ((3.4, 3.63, 3.84, 4.04, 4.22), 0.01),
        ((4.16, 4.45, 4.72, 4.98, 5.22), 0.002),
        ((5.02, 5.37, 5.7, 6.01, 6.3), 0.01),
        ((5.97, 6.41, 6.81, 7.18, 7.51), 0.01),
    ):
        found = [scaled(gpm[2], 45.0, one, 0.0) for one in psi]
        assert found == pytest.approx(gpm, rel=within)


def test_back_pressure() -> None:
    """Rated at 100 psi, pump 150, boost 20: 1.140175; who leaves boost out is 7.417 % too high."""
    assert scaled(1.0, 100.0, 150.0, 20.0) == pytest.approx(1.140175, rel=1e-6)
    assert scaled(1.0, 100.0, 150.0, 0.0) == pytest.approx(1.224745, rel=1e-6)
    rig = rig_of("brindle")
    pump = replace(rig.spray.pump, shut_off_kpa=1500.0, regulated_kpa=150.0 * PSI_KPA,
                   free_flow_ml_min=9000.0)  # fmt: skip
    rig = replace(rig, spray=replace(rig.spray, pump=pump, check_valve_kpa=0.0))
    at = delivered(rig, 20.0 * PSI_KPA)
    assert at.regulated
    assert ignoring_boost_pct(rig, at) == pytest.approx(7.417, abs=1e-3)


def test_a_rating_comes_back() -> None:
    """The rating that is wanted for what a rig delivers is the one it has; so is its hole."""
    for name in RIGS:
        rig = rig_of(name)
        at = delivered(rig, rig.paid.boost_kpa[-1])
        rated_kpa = rig.spray.nozzles[0].rated_kpa
        wanted = rating_for(at.flow_ml_min, at.across_kpa, rated_kpa, rig.spray.fluid_kg_m3)
        assert wanted == pytest.approx(rating_ml_min(rig), rel=1e-9)
    assert orifice_ml_min(hole_mm(Nozzle(120.0, 690.0)), 690.0, 998.2) == pytest.approx(120.0)
    both = (Nozzle(100.0, 400.0), Nozzle(100.0, 100.0, 2))  # at 400 kPa the second gives 200 each
    rig = replace(rig, spray=replace(rig.spray, nozzles=both))
    assert rating_ml_min(rig) == pytest.approx(500.0)


@pytest.mark.parametrize("name", RIGS)
@pytest.mark.parametrize("volts", [RATED_V, 11.0])
def test_the_plant_delivers_as_much(name: str, volts: float) -> None:
    """The plant's own hydraulics (friction, a bypass that rises) agree to 4 % at any boost."""
    rig = rig_of(name)
    k = size(rig, scenario(rig=rig), 1)
    k.shut_off_kpa = rig.spray.pump.shut_off_kpa  # this car's pump isn't worn
    top_kpa = rig.paid.boost_kpa[-1]
    for part in (0.5, 1.0):
        plan = delivered(rig, part * top_kpa, volts)
        if volts == RATED_V:
            plant = full_flow_ml_min(k, part * top_kpa)
        elif plan.regulated:
            continue
        else:
            plant = flow_at_speed(k, volts / RATED_V, part * top_kpa)
        assert plan.flow_ml_min == pytest.approx(plant, rel=0.04)


@pytest.mark.parametrize("name", RIGS)
@given(
    some.floats(-80.0, 1200.0),
    some.floats(-80.0, 1200.0),
    some.floats(6.0, RATED_V),
    some.floats(6.0, RATED_V),
)
def test_more_boost_never_more_flow(
    name: str, one_kpa: float, other_kpa: float, one_v: float, other_v: float
) -> None:
    """More boost, or less voltage: never more flow. Pressures add up; the pump gives it all."""
    rig = rig_of(name)
    low, high = sorted((one_kpa, other_kpa))
    less, more = sorted((one_v, other_v))
    at = delivered(rig, low, more)
    assert delivered(rig, high, more).flow_ml_min <= at.flow_ml_min + 1e-9
    assert delivered(rig, low, less).flow_ml_min <= at.flow_ml_min + 1e-9
    assert at.pump_ml_min >= at.flow_ml_min >= 0.0
    if at.flow_ml_min > 0.0:
        against_kpa = low + rig.spray.check_valve_kpa
        assert at.line_kpa == pytest.approx(against_kpa + at.across_kpa)
    assert delivered(rig, most_boost_kpa(rig)).flow_ml_min == 0.0


def test_liquid_where_none_should_be() -> None:
    """53 mL lock a cylinder of 450 mL at 9.5; 70 kPa of vacuum open a check valve of 35 kPa."""
    rig = rig_of("brindle")
    assert clearance_ml(rig) == pytest.approx(450.0 / 8.5)
    on_water = 2.0 * 105.0 * sqrt(35.0 / 690.0)
    assert siphon_ml_min(rig, 70.0) == pytest.approx(on_water * sqrt(998.2 / 926.86), rel=1e-4)
    assert siphon_ml_min(rig, 35.0) == 0.0
