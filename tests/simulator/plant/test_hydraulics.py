"""The plant's hydraulics against published orifice figures and the textbook laws they follow."""

from dataclasses import replace
from itertools import pairwise
from math import inf, pi, sqrt
from typing import Final

import pytest
from scipy.optimize import brentq

from rules.facts import Nozzle, Pump
from simulator.plant import Car, Fault, FaultKind
from simulator.plant import hydraulics as hy
from simulator.plant.constants import Constants
from simulator.plant.sizing import size
from tests.kit.plants import RIG, scenario

PSI_KPA: Final = 6.894757
GALLON_ML: Final = 3785.412  # US
SPRAY = RIG.spray


def conductance(d_mm: float, cd: float, kg_m3: float) -> float:
    """Return an orifice's flow for each square root of a kPa, mL/min: Q = Cd A sqrt(2 dp / rho)."""
    area_m2 = 0.25 * pi * (1e-3 * d_mm) * (1e-3 * d_mm)
    return cd * area_m2 * sqrt(2.0 * 1e3 / kg_m3) * 60e6


def constants(**changes: float) -> Constants:
    """Return the hand-made rig's constants, some changed."""
    k = size(RIG, scenario(), 1)
    for name, value in changes.items():
        setattr(k, name, value)
    return k


@pytest.mark.parametrize(
    ("d_mm", "dp_bar", "kg_m3", "ml_min", "g_s"),
    [
        (0.5, 10.0, 998.2, 326.948, 5.43933),
        (0.5, 8.0, 998.2, 292.431, 4.86508),
        (1.0, 7.0, 998.2, 1094.178, 18.20348),
        (0.5, 10.0, 926.9, 339.29, 5.24147),
    ],
)
def test_an_orifice_passes_what_the_equation_says(
    d_mm: float, dp_bar: float, kg_m3: float, ml_min: float, g_s: float
) -> None:
    """Cd 0.62 gives the incompressible orifice equation's figures (Crane TP-410), within 1e-5."""
    flow = hy.nozzle_ml_min(conductance(d_mm, 0.62, kg_m3), 0.0, 100.0 * dp_bar, 0.0)
    assert flow == pytest.approx(ml_min, rel=1e-5)
    assert flow * kg_m3 * 1e-3 / 60.0 == pytest.approx(g_s, rel=1e-5)


def test_a_published_exercise_gives_its_discharge_coefficient() -> None:
    """16 mm under 1.5 m of water (g 9.81) passes 0.65 L/s at the printed Cd 0.60, within 1 %.

    Source: a fluid-mechanics exercise set, question 1; the printed coefficient is rounded.
    """
    head_kpa = 1.5 * 9.81 * 1.0
    flow = hy.root_flow(conductance(16.0, 0.60, 1000.0), head_kpa)
    assert flow / 60e3 == pytest.approx(0.65, rel=0.01)


@pytest.mark.parametrize(
    ("gallons", "within"),
    [
        ((3.40, 3.63, 3.84, 4.04, 4.22), 0.01),
        ((4.16, 4.45, 4.72, 4.98, 5.22), 0.002),
        ((5.02, 5.37, 5.70, 6.01, 6.30), 0.01),
        ((5.97, 6.41, 6.81, 7.18, 7.51), 0.01),
    ],
)
def test_measured_straight_bores_follow_the_root_law(
    gallons: tuple[float, ...], within: float
) -> None:
    """A nozzle rated at 45 psi is right from 35 to 55 psi, for four bores.

    Source: measured discharge in an agricultural extension sprinkler bulletin, table 3.
    """
    rated = gallons[2] * GALLON_ML / sqrt(45.0 * PSI_KPA)
    for psi, measured in zip((35.0, 40.0, 45.0, 50.0, 55.0), gallons, strict=True):
        flow = hy.nozzle_ml_min(rated, 0.0, psi * PSI_KPA, 0.0)
        assert flow == pytest.approx(measured * GALLON_ML, rel=within)


def test_boost_takes_its_share_of_the_pressure() -> None:
    """150 psi against 20 psi give 1.140175 of the flow rated at 100 psi, and 1.224745 without.

    Source: square-root law; common practice rates nozzles at one pressure.
    """
    rated = 1000.0 / sqrt(100.0 * PSI_KPA)
    against = hy.nozzle_ml_min(rated, 0.0, 150.0 * PSI_KPA, 20.0 * PSI_KPA)
    without = hy.nozzle_ml_min(rated, 0.0, 150.0 * PSI_KPA, 0.0)
    assert against / 1000.0 == pytest.approx(1.140175, rel=1e-6)
    assert without / against - 1.0 == pytest.approx(0.07417, rel=1e-4)


def test_the_root_law_starts_as_a_line_without_a_jump() -> None:
    """Below 5 kPa flow falls linearly to nil; nothing comes back; the two meet at 5 kPa."""
    assert hy.root_flow(10.0, -3.0) == hy.root_flow(10.0, 0.0) == 0.0
    assert hy.root_flow(10.0, 2.5) == pytest.approx(0.5 * hy.root_flow(10.0, 5.0))
    assert hy.root_flow(10.0, 5.0 - 1e-9) == pytest.approx(10.0 * sqrt(5.0), rel=1e-9)


def test_a_mix_flows_faster_and_weighs_less() -> None:
    """One nozzle, one pressure: a 50/50 pour flows 3.8 % more by volume and 3.6 % less by mass.

    Source: root of the densities' ratio, 998.2 over 926.9 kg/m3 (CRC Handbook, 102nd ed.).
    """
    water, mix = (hy.root_flow(conductance(0.5, 0.62, rho), 1000.0) for rho in (998.2, 926.9))
    assert mix / water - 1.0 == pytest.approx(0.0378, abs=5e-4)
    assert mix * 926.9 / (water * 998.2) - 1.0 == pytest.approx(-0.0364, abs=5e-4)
    k = constants()
    on_water = SPRAY.nozzles[0].rated_ml_min / sqrt(SPRAY.nozzles[0].rated_kpa)
    assert k.conductance / on_water == pytest.approx(sqrt(998.2 / SPRAY.fluid_kg_m3), rel=1e-9)


def test_line_friction_is_laminar() -> None:
    """The rig's line loses what 3 m of hose lose by Hagen-Poiseuille, and stays laminar.

    dp = 128 mu L Q / (pi d^4); below Reynolds 2300 (any fluid-mechanics textbook).
    """
    k = constants()
    viscosity = 1e-3 * k.viscosity_mpa_s
    full = k.conductance * sqrt(1000.0 - 170.0 - 20.0) / 60.0
    bore_m = 0.004 * sqrt(full / 11.7)  # 4 mm for the flow of a common pair of nozzles
    flow_m3_s = 1e-6 * full
    lost_kpa = 128.0 * viscosity * 3.0 * flow_m3_s / (pi * bore_m**4) * 1e-3
    assert k.friction_kpa_min_ml * 60.0 * full == pytest.approx(lost_kpa, rel=1e-9)
    assert 4.0 * flow_m3_s * SPRAY.fluid_kg_m3 / (pi * bore_m * viscosity) < 2300.0


@pytest.mark.parametrize("friction", [0.0, 0.01, 0.3, 2.0])
@pytest.mark.parametrize("line_kpa", [60.0, 300.0, 1000.0])
def test_line_and_nozzle_share_the_pressure(friction: float, line_kpa: float) -> None:
    """What the nozzle and the line each take adds up to what there is (root by brentq)."""
    flow = hy.nozzle_ml_min(11.0, friction, line_kpa, 40.0)
    drop = line_kpa - 40.0
    searched = brentq(lambda q: friction * q + (q / 11.0) * (q / 11.0) - drop, 0.0, 11.0 * drop)
    assert flow == pytest.approx(searched, rel=1e-9)


@pytest.mark.parametrize("speed", [0.3, 0.7, 1.0, 1.1])
def test_the_pump_obeys_the_affinity_laws(speed: float) -> None:
    """Flow grows with speed, pressure with its square (any pump textbook); it lets none back."""
    for share in (0.0, 0.3, 0.8):
        nominal = hy.pump_ml_s(share * 1400.0, 1400.0, 30.0, 1.0)
        turned = hy.pump_ml_s(share * 1400.0 * speed * speed, 1400.0, 30.0, speed)
        assert turned == pytest.approx(speed * nominal, rel=1e-12)
    assert hy.pump_ml_s(1400.0 * speed * speed, 1400.0, 30.0, speed) == 0.0
    assert hy.pump_ml_s(5000.0, 1400.0, 30.0, speed) == 0.0
    assert hy.pump_ml_s(0.0, 1400.0, 30.0, 0.0) == 0.0


def steady_kpa(k: Constants, opening: float, boost_kpa: float) -> float:
    """Return the line pressure at which pump, bypass and nozzles balance, by bisection."""

    def surplus(line_kpa: float) -> float:
        given = hy.pump_ml_s(line_kpa, k.shut_off_kpa, k.free_ml_s, 1.0)
        back = hy.bypass_ml_s(line_kpa, k.crack_kpa, k.bypass_ml_s_kpa)
        out = hy.nozzle_ml_min(
            opening * k.conductance, k.friction_kpa_min_ml, line_kpa, boost_kpa + k.check_kpa
        )
        return given - back - out / 60.0

    root: float = brentq(surplus, 0.0, k.shut_off_kpa, xtol=1e-9)
    return root


@pytest.mark.parametrize("boost_kpa", [0.0, 60.0, 170.0])
@pytest.mark.parametrize("crack_kpa", [1e12, 700.0, 1390.0])
def test_full_flow_is_where_pump_bypass_and_nozzles_balance(
    crack_kpa: float, boost_kpa: float
) -> None:
    """The closed form agrees with a bisection on the mass balance, regulated or not."""
    k = constants(crack_kpa=crack_kpa, bypass_ml_s_kpa=0.07)
    line_kpa = steady_kpa(k, 1.0, boost_kpa)
    against = boost_kpa + k.check_kpa
    flow = hy.nozzle_ml_min(k.conductance, k.friction_kpa_min_ml, line_kpa, against)
    assert hy.full_flow_ml_min(k, boost_kpa) == pytest.approx(flow, rel=1e-6)
    assert hy.opening_for(k, flow, boost_kpa) == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize("share", [0.1, 0.4, 0.9])
def test_the_valve_opens_for_just_the_flow_asked(share: float) -> None:
    """At the opening the controller chooses, the balance of flows gives what it asked for."""
    k = constants()
    wanted = share * hy.full_flow_ml_min(k, 100.0)
    opening = hy.opening_for(k, wanted, 100.0)
    line_kpa = steady_kpa(k, opening, 100.0)
    flow = hy.nozzle_ml_min(
        opening * k.conductance, k.friction_kpa_min_ml, line_kpa, 100.0 + k.check_kpa
    )
    assert flow == pytest.approx(wanted, rel=1e-6)


def test_the_regulator_holds_its_pressure_at_full_flow() -> None:
    """The line stands at the rig's 1000 kPa at full flow and boost, and 8 % higher with no flow."""
    k = constants()
    assert steady_kpa(k, 1.0, 170.0) == pytest.approx(SPRAY.pump.regulated_kpa, rel=0.01)
    shut = steady_kpa(k, 1e-9, 170.0)
    assert 1.0 < shut / steady_kpa(k, 1.0, 170.0) < 1.085


def test_no_pump_no_flow_and_a_weak_one_gives_none_against_boost() -> None:
    """A pump whose shut-off pressure boost exceeds delivers nothing."""
    k = constants(shut_off_kpa=150.0, crack_kpa=1e12)
    assert hy.full_flow_ml_min(k, 200.0) == 0.0
    assert hy.full_flow_ml_min(k, 20.0) > 0.0


def test_air_comes_in_slugs_with_the_share_it_has() -> None:
    """The liquid share swings about one minus the share of air, and never leaves 0 to 1.5."""
    assert hy.liquid_share(0.0, 1.23) == 1.0
    for air in (0.1, 0.2):
        shares = [hy.liquid_share(air, 0.001 * i) for i in range(20000)]
        assert sum(shares) / len(shares) == pytest.approx(1.0 - air, abs=0.01)
        assert min(shares) >= 0.0
        assert max(shares) < 1.5
        assert max(abs(b - a) for a, b in pairwise(shares)) < 0.05


@pytest.mark.parametrize(
    ("kind", "magnitude", "opening"),
    [
        (FaultKind.SPLIT_BEFORE_SENSOR, 0.5, 1.0),
        (FaultKind.SPLIT_AFTER_SENSOR, 0.8, 4.0),
        (FaultKind.SPLIT_AFTER_SENSOR, 1.0, 0.97 / 0.03),
    ],
)
def test_a_split_opens_its_share(kind: FaultKind, magnitude: float, opening: float) -> None:
    """A split's conductance over the nozzles' is share over one less share, 0.97 at most."""
    car = Car(RIG, scenario(Fault(kind, 0.0, magnitude=magnitude)), 1, compiled=False)
    car.step(0.0, inf)
    before = kind is FaultKind.SPLIT_BEFORE_SENSOR
    where = "split_before" if before else "split_after"
    assert getattr(car.state, where) == pytest.approx(opening, rel=1e-9)


def test_rigs_of_any_size_keep_the_line_quick_and_calm() -> None:
    """Line and valve answer within the rig's lag, yet slowly enough for a step of 1 ms."""
    for count, pump in ((1, Pump(1400.0, 1800.0, 1000.0)), (6, Pump(1200.0, 9000.0, inf))):
        nozzles = (Nozzle(500.0, 690.0, count),)
        rig = replace(RIG, spray=replace(SPRAY, nozzles=nozzles, pump=pump))
        k = size(rig, scenario(), 1)
        slope = k.bypass_ml_s_kpa + k.free_ml_s / k.shut_off_kpa
        against = 170.0 + k.check_kpa
        held = min(pump.regulated_kpa, 0.8 * pump.shut_off_kpa)
        slope += 0.5 * k.conductance / sqrt(held - against) / 60.0
        settles_s = k.compliance_ml_kpa / slope
        assert 2.0 * k.dt_s < settles_s < 0.1
