"""The plant's air path against published figures and the textbook laws it follows."""

from itertools import pairwise
from math import exp, inf, log, sqrt
from typing import Final

import numpy as np
import pytest
from scipy.optimize import brentq

from rules.facts import Charger
from simulator.plant import Car, Do, Scenario, Step, air, charging
from simulator.plant.constants import Constants
from simulator.plant.engine import injectors_kg_s
from simulator.plant.sizing import size
from simulator.plant.state import Rates, State
from simulator.rig import find_rig, load_rig
from tests.kit.plants import scenario

BOOSTED: Final = ("brindle", "orrinby", "tarnwick", "ullesby", "wexmoor")
CRITICAL: Final = (2.0 / 2.4) ** 3.5


def isentropic(ratio: float) -> float:
    """Return the mass-flow function of an ideal nozzle, gamma 1.4 (any gas-dynamics textbook)."""
    r = max(ratio, CRITICAL)
    return sqrt(7.0 * (exp(log(r) * 2.0 / 1.4) - exp(log(r) * 2.4 / 1.4)))


def test_air_chokes_where_and_as_hard_as_gas_dynamics_says() -> None:
    """Critical ratio 0.5283 and flow function 0.6847 for gamma 1.4 (any gas-dynamics textbook)."""
    assert pytest.approx(0.5283, abs=1e-4) == CRITICAL
    assert charging.restriction(0.0) == charging.restriction(0.5) == pytest.approx(0.6847, abs=1e-4)
    assert isentropic(CRITICAL) == pytest.approx(0.6847, abs=1e-4)
    # ISO 6358-1's ellipse with b = 0.528: half way up from b it keeps sqrt(3/4) of choked flow.
    middle = 0.5 * (0.528 + 1.0)
    assert charging.restriction(middle) == pytest.approx(0.6847 * sqrt(0.75), rel=1e-4)


def test_the_ellipse_of_iso_6358_is_the_isentropic_nozzle_within_two_per_cent() -> None:
    """From choking to a ratio of 0.92 the two flow functions differ by no more than 2 %."""
    for i in range(101):
        ratio = 0.40 + 0.0052 * i
        assert charging.restriction(ratio) == pytest.approx(isentropic(ratio), rel=0.02)


def test_near_equal_pressures_flow_falls_in_a_straight_line_without_a_jump() -> None:
    """Above 0.92 it meets the ellipse, falls steadily to nil, and none flows back."""
    meet = charging.restriction(0.92 - 1e-9)
    assert charging.restriction(0.92 + 1e-9) == pytest.approx(meet, rel=1e-6)
    assert charging.restriction(0.96) == pytest.approx(0.5 * meet, rel=1e-6)
    assert charging.restriction(1.0) == charging.restriction(1.3) == 0.0
    falling = [charging.restriction(0.5 + 0.001 * i) for i in range(501)]
    assert all(b <= a for a, b in pairwise(falling))


@pytest.mark.parametrize(("ratio", "low"), [(0.93, 0.073), (0.95, 0.225), (0.97, 0.407)])
def test_near_equal_pressures_the_flow_is_low_by_no_more_than_stated(
    ratio: float, low: float
) -> None:
    """The straight line's bound against an ideal nozzle, which it never exceeds.

    Source: isentropic flow, gamma 1.4 (J. B. Heywood, Internal Combustion Engine Fundamentals,
    appendix C; title from memory, the formula derived anew).
    """
    of_ideal = charging.restriction(ratio) / isentropic(ratio)
    assert of_ideal == pytest.approx(1.0 - low, abs=0.001)


@pytest.mark.parametrize("name", BOOSTED)
def test_the_pipe_s_air_is_kept_to_a_fourth_of_a_per_cent_of_what_passes(name: str) -> None:
    """Over a pull: what went in, less what came out, against what the ideal gas law says is there.

    The pipe's temperature counts as standing still; the bound is what that costs while it warms.
    """
    rig = load_rig(find_rig(name)).rig
    drive = (Step(Do.CRUISE, 2.0, 3), Step(Do.PULL, 4.0, 3))
    car = Car(rig, Scenario("pull", "", rig, drive, rate_hz=1000.0), 1, compiled=True)
    k, s = car.constants, car.state

    def stored_kg() -> float:
        kelvin = s.dry_c + 273.15
        return float(s.pipe_kpa * 1e3 * k.pipe_m3 / (287.05 * kelvin))

    while s.time_s < 1.9:
        car.step(0.0, inf)
    before_kg, gained_kg, passed_kg = stored_kg(), 0.0, 0.0
    while not car.finished:
        car.step(0.0, inf)
        passed_kg += 1e-3 * s.compressor_kg_s
        gained_kg += 1e-3 * s.compressor_kg_s
        gained_kg -= 1e-3 * (s.throttle_kg_s + s.bypass_kg_s)
    stored = stored_kg() - before_kg
    assert stored > 0.005
    assert abs(gained_kg - stored) < 0.0028 * passed_kg
    assert abs(gained_kg - stored) < 0.25 * stored


def test_a_choked_orifice_passes_the_textbook_flow() -> None:
    """1 cm2 from 200 kPa, 300 K into 100 kPa passes 0.0467 kg/s.

    Source: ``m = A p sqrt(gamma / (R T)) (2 / (gamma + 1))^3``, worked by hand for gamma 1.4.
    """
    by_hand = 1e-4 * 200e3 * sqrt(1.4 / (287.05 * 300.0)) * (2.0 / 2.4) ** 3
    assert by_hand == pytest.approx(0.0467, abs=5e-5)
    flow = charging.orifice_air_kg_s(1e-4, 200.0, 300.0, 100.0)
    assert flow == pytest.approx(by_hand, rel=1e-4)


@pytest.mark.parametrize("gas_kg_s", [0.02, 0.06, 0.15])
@pytest.mark.parametrize("gas_k", [900.0, 1100.0])
def test_the_turbine_follows_stodolas_ellipse(gas_kg_s: float, gas_k: float) -> None:
    """Flow coefficient over that at infinite ratio is sqrt(1 - 1 / ratio^2); power is isentropic.

    Source: Stodola's law of the ellipse; expansion with gamma 1.333 (any turbine textbook).
    """
    turbine = 1.9
    # m sqrt(T) / p1 = K sqrt(1 - (p2 / p1)^2); at ``turbine`` the ratio is root two.
    constant = turbine / sqrt(2.0) / sqrt(1.0 - 0.5)

    def surplus(ratio: float) -> float:
        return constant * ratio * sqrt(1.0 - ratio**-2.0) - gas_kg_s * sqrt(gas_k)

    ratio = brentq(surplus, 1.0, 50.0, xtol=1e-12)
    ideal_w = gas_kg_s * 1150.0 * gas_k * (1.0 - ratio ** (-0.25))
    found = charging.turbine_w(turbine, gas_kg_s, gas_k)
    assert found == pytest.approx(0.70 * ideal_w, rel=1e-9)


def test_the_wheel_obeys_eulers_pump_equation() -> None:
    """At no flow the isentropic work goes with the square of tip speed.

    Source: Euler's pump equation, ``cp (T2s - T1) = slip u^2`` (any turbomachinery textbook).
    """
    head = 0.35
    full = charging.highest_ratio(head, 1.0) ** (0.4 / 1.4) - 1.0
    assert full == pytest.approx(head, rel=1e-12)
    for speed in (0.25, 0.5, 0.8, 1.1):
        work = charging.highest_ratio(head, speed * speed) ** (0.4 / 1.4) - 1.0
        assert work == pytest.approx(head * speed * speed, rel=1e-12)


@pytest.mark.parametrize("speed", [0.4, 0.7, 1.0])
def test_the_compressor_obeys_the_affinity_laws(speed: float) -> None:
    """At the same share of its own highest ratio, flow goes with speed; efficiency stays.

    Source: similarity of turbomachines at one flow coefficient (any turbomachinery textbook).
    """
    head, choke = 0.35, 0.2
    top = charging.highest_ratio(head, speed * speed) - 1.0
    for share in (0.0, 0.4, 0.8, 1.0):
        nominal = charging.compressor_kg_s(
            head, choke, 1.0, 1.0 + share * (charging.highest_ratio(head, 1.0) - 1.0)
        )
        turned = charging.compressor_kg_s(head, choke, speed * speed, 1.0 + share * top)
        assert turned == pytest.approx(speed * nominal, rel=1e-9, abs=1e-12)
        assert charging.compressor_efficiency(choke, speed * speed, turned) == pytest.approx(
            charging.compressor_efficiency(choke, 1.0, nominal), rel=1e-9
        )
    assert charging.compressor_kg_s(head, choke, speed * speed, 2.0 + top) == 0.0
    assert charging.compressor_kg_s(head, choke, 0.0, 1.0) == 0.0


def test_efficiency_is_that_of_a_small_radial_compressor() -> None:
    """It peaks at 0.75 inside the map and stays from 0.45 to there (common practice, no source)."""
    values = [charging.compressor_efficiency(0.2, 1.0, 0.002 * i) for i in range(101)]
    assert max(values) == pytest.approx(0.75, abs=1e-3)
    assert 0.2 < values.index(max(values)) / 100.0 < 0.7
    assert min(values) >= 0.45


def test_argon_from_a_textbook_with_the_relation_for_air() -> None:
    """Argon, 14 to 200 psia from 536 R: ideal 1553 R, at 87 % efficiency 1706 R in print.

    Source: Cengel & Boles, Thermodynamics, a problem on isentropic efficiency (k = 1.667; the
    printed answer holds 1.3 R of kinetic energy). The plant's relation has air's exponent; its
    ratio is chosen so that the isentropic ratio of temperatures is argon's.
    """
    ideal = (200.0 / 14.0) ** (0.667 / 1.667)
    assert 536.0 * ideal == pytest.approx(1553.0, abs=1.5)
    outlet = air.compressor_outlet_k(536.0, ideal**3.5, 0.87)
    assert outlet == pytest.approx(1705.35, abs=0.5)
    assert outlet == pytest.approx(1706.0, abs=1.5)


@pytest.mark.parametrize(("ratio", "efficiency"), [(1.68, 0.731178), (2.0, 0.724728)])
def test_small_stages_of_075_make_one_stage_of_less(ratio: float, efficiency: float) -> None:
    """A thousand stages of 0.75 in series heat as one of 0.7312 at 1.68, of 0.7247 at 2.0.

    Source: polytropic against isentropic efficiency, gamma 1.4 (any turbomachinery textbook).
    """
    kelvin = 298.0
    for _ in range(1000):
        kelvin = air.compressor_outlet_k(kelvin, ratio**0.001, 0.75)
    assert kelvin == pytest.approx(air.compressor_outlet_k(298.0, ratio, efficiency), abs=0.02)


def test_an_intercooler_makes_boost_into_density() -> None:
    """1.68 from 298.15 K at 0.70: density rises 1.3678 times hot, 1.5723 behind effectiveness 0.7.

    Source: ideal gas, isentropic-efficiency relation and the definition of effectiveness.
    """
    hot_k = air.compressor_outlet_k(298.15, 1.68, 0.70)
    cool_k = air.intercooler_outlet_k(hot_k, 298.15, 0.70)
    assert (hot_k, cool_k) == pytest.approx((366.203, 318.566), abs=1e-3)
    uncooled = air.air_flow_kg_s(1.0, 2.0, 6000.0, 168.0, hot_k)
    cooled = air.air_flow_kg_s(1.0, 2.0, 6000.0, 168.0, cool_k)
    outside = air.air_flow_kg_s(1.0, 2.0, 6000.0, 100.0, 298.15)
    assert uncooled / outside == pytest.approx(1.367798, abs=1e-5)
    assert cooled / outside == pytest.approx(1.572334, abs=1e-5)


def constants(name: str) -> Constants:
    """Return a shipped rig's constants."""
    rig = load_rig(find_rig(name)).rig
    return size(rig, scenario(rig=rig), 1)


@pytest.mark.parametrize("name", BOOSTED)
def test_an_engine_at_full_boost_breathes_by_speed_density(name: str) -> None:
    """The kernel's air at redline and full boost is speed-density's, residual gas apart.

    Source: ideal gas, R = 287.05 J/(kg K): 2.0 L, 6000 rpm, 0.95, 200 kPa, 313.15 K are 0.21137
    kg/s.
    """
    assert air.air_flow_kg_s(0.95, 2.0, 6000.0, 200.0, 313.15) == pytest.approx(0.2113701, rel=1e-6)
    k = constants(name)
    s = State()
    s.speed_rpm = k.redline_rpm
    s.manifold_kpa = s.pipe_kpa = k.ambient_kpa + k.peak_kpa
    s.shaft = 1.0
    s.core_c = 40.0
    s.ceiling_kpa = 1e300
    charging.breathe(k, s)
    by_book = air.air_flow_kg_s(
        k.volumetric_efficiency * charging.breathing(1.0),
        1e3 * k.displacement_m3,
        k.redline_rpm,
        k.ambient_kpa + k.peak_kpa,
        s.charge_c + 273.15,
    )
    assert s.drawn_kg_s == pytest.approx(by_book, rel=1e-9)
    # The charger is large enough for that and a little more; its air is cooled, not below its core.
    assert 1.0 < s.compressor_kg_s / by_book < 1.5
    assert 40.0 < s.dry_c < s.compressor_k - 273.15 < 200.0


def test_vapour_takes_the_room_its_molecules_need() -> None:
    """2 % water by mass of air takes about 3.2 % by volume (ideal gas: 28.97 over 18.02 g/mol)."""
    s = State()
    s.drawn_kg_s = 0.2
    s.vapour_water_kg_s = 0.02 * 0.2
    charging.displace(s)
    assert 0.2 / s.air_kg_s - 1.0 == pytest.approx(0.02 * 28.965 / 18.015, rel=1e-3)
    s.vapour_water_kg_s, s.vapour_methanol_kg_s = 0.0, 0.02 * 0.2
    charging.displace(s)
    assert 0.2 / s.air_kg_s - 1.0 == pytest.approx(0.02 * 28.965 / 32.042, rel=1e-3)


def test_injectors_follow_the_root_of_pressure() -> None:
    """From 3 to 4 bar across it an injector gives 1.1547005 times as much; 43.5 psi are 3 bar.

    Source: square-root law; static flow rate as SAE J1832 defines it.
    """
    rated = injectors_kg_s(4.0, 800.0, 300.0, 300.0)
    assert rated == pytest.approx(4.0 * 0.8 * 0.745 / 60.0, rel=1e-12)
    more = injectors_kg_s(4.0, 800.0, 300.0, 400.0)
    assert more / rated == pytest.approx(1.1547005, rel=1e-6)
    in_psi = injectors_kg_s(4.0, 800.0, 43.5 * 6.894757, 400.0)
    assert in_psi / more == pytest.approx(1.0, abs=2e-4)


def test_belt_driven_chargers_boost_as_their_kinds_do() -> None:
    """A displacement blower's air goes with speed, nearly whatever the pressure.

    A centrifugal one's ratio rises with the square of speed. Source: swept volume; Euler.
    """
    k = constants("ullesby")
    s = State()
    s.core_c = 30.0

    def given(kind: Charger, rpm: float, pipe_kpa: float) -> float:
        k.charger = int(kind)
        s.speed_rpm, s.pipe_kpa, s.manifold_kpa = rpm, pipe_kpa, pipe_kpa
        charging.breathe(k, s)
        return s.compressor_kg_s

    slow, fast = (given(Charger.DISPLACEMENT, rpm, 180.0) for rpm in (2500.0, 5000.0))
    assert fast / slow == pytest.approx(2.0, rel=1e-9)
    assert 0.93 < fast / given(Charger.DISPLACEMENT, 5000.0, 101.3) < 1.0
    k.head, k.choke_kg_s = 0.25, 0.6
    highest = [
        brentq(lambda p, r=rpm: given(Charger.CENTRIFUGAL, r, p) - 1e-6, 101.5, 400.0) / 101.3
        for rpm in (0.5 * k.redline_rpm, k.redline_rpm)
    ]
    heads = [ratio ** (0.4 / 1.4) - 1.0 for ratio in highest]
    assert heads[1] / heads[0] == pytest.approx(4.0, rel=0.02)


def test_the_core_soaks_up_heat_and_sheds_it_in_the_wind() -> None:
    """Without flow the core falls to a few degrees over the air outside, faster at speed."""
    k = constants("brindle")
    s, d = State(), Rates()
    s.manifold_kpa, s.pipe_kpa, s.core_c = 101.3, 101.3, 60.0
    s.compressor_k = s.exhaust_k = 300.0
    rates = []
    for road in (0.0, 15.0, 30.0):
        s.road_m_s = road
        s.compressor_kg_s = 0.0
        charging.charging_rates(k, s, d)
        rates.append(d.core_c)
    assert np.diff(rates).max() < 0.0
    assert max(rates) < 0.0
    s.core_c = k.ambient_c + 4.0
    s.road_m_s = 0.0
    charging.charging_rates(k, s, d)
    assert d.core_c == pytest.approx(0.0, abs=1e-9)
