"""Hydraulics, delay, lag and tables against laws and libraries from outside."""

from math import exp, nan, sqrt

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator
from scipy.optimize import brentq
from scipy.signal import lsim

from rules.conversions import tank_minutes, tank_range_km
from rules.facts import Nozzle, Pump
from rules.step.arithmetic import interpolate, interpolate_map, kept_share
from rules.step.constants import constants_of
from rules.step.expectation import expect
from rules.step.hydraulics import full_flow_ml_min
from rules.step.step import fresh_state
from tests.kit.rigs import rig

Floats = npt.NDArray[np.float64]


def nozzle_flow(rated_ml_min: float, rated_kpa: float, pump_kpa: float, **more: float) -> float:
    """Return the flow of one nozzle on a pump that holds ``pump_kpa`` at any flow."""
    facts = rig(
        spray={
            "nozzles": (Nozzle(rated_ml_min, rated_kpa),),
            "pump": Pump(1e6, 1e9, regulated_kpa=pump_kpa),
            "fluid_kg_m3": more.get("fluid_kg_m3", 998.2),
            "check_valve_kpa": more.get("check_valve_kpa", 0.0),
        }
    )
    return full_flow_ml_min(constants_of(facts), more.get("boost_kpa", 0.0))


KPA_PER_PSI = 6.894757


def test_back_pressure_scaling() -> None:
    """Square-root law: 100 psi nozzle, 150 psi pump, 20 psi boost flow 1.140175 of the rating."""
    pump_kpa, boost_kpa = 150.0 * KPA_PER_PSI, 20.0 * KPA_PER_PSI
    with_boost = nozzle_flow(500.0, 100.0 * KPA_PER_PSI, pump_kpa, boost_kpa=boost_kpa)
    without = nozzle_flow(500.0, 100.0 * KPA_PER_PSI, pump_kpa)
    assert with_boost / 500.0 == pytest.approx(1.140175, rel=1e-6)
    assert without / 500.0 == pytest.approx(1.224745, rel=1e-6)
    assert 100.0 * (without / with_boost - 1.0) == pytest.approx(7.417, abs=1e-3)
    valve = nozzle_flow(500.0, 100.0 * KPA_PER_PSI, pump_kpa, check_valve_kpa=boost_kpa)
    assert valve == pytest.approx(with_boost, rel=1e-12)


@pytest.mark.parametrize(
    ("gpm", "tolerance"),
    [
        ([3.4, 3.63, 3.84, 4.04, 4.22], 0.01),  # bore 9/64 in
        ([4.16, 4.45, 4.72, 4.98, 5.22], 0.002),  # 5/32 in
        ([5.02, 5.37, 5.7, 6.01, 6.3], 0.01),  # 11/64 in
        ([5.97, 6.41, 6.81, 7.18, 7.51], 0.01),  # 3/16 in
    ],
)
def test_measured_nozzle_table(gpm: list[float], tolerance: float) -> None:
    """A printed discharge table (agricultural extension sprinkler bulletin, 35 to 55 psi)."""
    rated = gpm[2] * 3785.412
    for psi, flow in zip([35.0, 40.0, 45.0, 50.0, 55.0], gpm, strict=True):
        found = nozzle_flow(rated, 45.0 * KPA_PER_PSI, psi * KPA_PER_PSI)
        assert found == pytest.approx(flow * 3785.412, rel=tolerance)


def test_orifice_formula_with_density() -> None:
    """Q = Cd A sqrt(2 dp / rho) (e.g. Crane TP-410), 0.5 mm, Cd 0.62: three published-law rows."""
    assert nozzle_flow(326.948, 1000.0, 800.0) == pytest.approx(292.431, rel=1e-5)
    assert nozzle_flow(326.948, 1000.0, 1000.0, fluid_kg_m3=926.9) == pytest.approx(
        339.29, rel=1e-5
    )
    # 1 mm has four times the area.
    assert nozzle_flow(4.0 * 326.948, 1000.0, 700.0) == pytest.approx(1094.178, rel=1e-5)
    ratio = nozzle_flow(300.0, 690.0, 900.0, fluid_kg_m3=926.9) / nozzle_flow(300.0, 690.0, 900.0)
    assert ratio == pytest.approx(1.038, abs=5e-4)


@settings(max_examples=60, deadline=None)
@given(
    shut_off=st.floats(700.0, 2500.0),
    free=st.floats(500.0, 9000.0),
    rated=st.floats(50.0, 2000.0),
    boost=st.floats(-60.0, 300.0),
)
def test_operating_point_is_the_root(
    shut_off: float, free: float, rated: float, boost: float
) -> None:
    """Where pump line and nozzle law cross, scipy's bracketing root finder agrees."""
    facts = rig(
        spray={"nozzles": (Nozzle(rated / 2.0, 690.0, count=2),), "pump": Pump(shut_off, free)}
    )
    conductance = rated / sqrt(690.0)

    def too_much(flow: float) -> float:
        across = flow / conductance
        return shut_off - shut_off / free * flow - boost - across * across

    root = brentq(too_much, 0.0, 10.0 * (free + rated), xtol=1e-10, rtol=1e-14)
    capped = min(root, conductance * sqrt(shut_off - boost))
    assert full_flow_ml_min(constants_of(facts), boost) == pytest.approx(capped, rel=1e-8)


def test_regulator_and_dead_head() -> None:
    """A regulator caps the flow; boost at or above the pump's or regulator's pressure stops it."""
    facts = rig(
        spray={
            "nozzles": (Nozzle(500.0, 400.0),),
            "pump": Pump(1000.0, 5000.0, regulated_kpa=500.0),
        }
    )
    k = constants_of(facts)
    assert full_flow_ml_min(k, 100.0) == pytest.approx(500.0, rel=1e-12)
    assert full_flow_ml_min(k, 500.0) == 0.0
    assert full_flow_ml_min(k, 501.0) == 0.0
    no_regulator = rig(spray={"pump": Pump(300.0, 5000.0)})
    assert full_flow_ml_min(constants_of(no_regulator), 300.0) == 0.0


RAMP: Floats = np.linspace(0.0, 749.5, 1500)  # 500 mL/min a second at 1000 Hz


def response(commands: Floats, dt_s: float, lag_s: float, delay_s: float) -> tuple[Floats, Floats]:
    """Return expected readings and their rates for commands at even steps."""
    k = constants_of(rig(spray={"lag_s": lag_s, "transport_delay_s": delay_s}))
    s = fresh_state(k)
    expected, rates = [], []
    for i, command in enumerate(commands.tolist()):
        s.clock_s = i * dt_s
        s.commanded_ml_min = command
        expect(k, s, dt_s if i else 0.0)
        expected.append(s.expected_ml_min)
        rates.append(s.rate_ml_min_s)
    return np.array(expected), np.array(rates)


def test_first_order_fractions() -> None:
    """A step's response at 1, 2, 3 and 5 time constants, by definition of a first-order lag."""
    expected, _ = response(np.full(321, 1.0), 1.0 / 64.0, 1.0, 0.0)
    found = expected[[64, 128, 192, 320]]
    assert found == pytest.approx([0.6321206, 0.8646647, 0.9502129, 0.9932621], abs=1e-6)
    assert 1.0 - kept_share(0.1, 2.0) == pytest.approx(0.0487706, abs=1e-6)


def test_delayed_step_response() -> None:
    """A step after a delay and a lag follows 1 - exp(-(t - delay - dt / 2) / lag)."""
    dt_s, lag_s, delay_s = 1.0 / 1024.0, 0.1, 0.08
    commands = np.where(np.arange(1024) >= 256, 500.0, 0.0)
    expected, _ = response(commands, dt_s, lag_s, delay_s)
    # The sampled step is a ramp over the step before: half a step early.
    t = np.arange(1024) * dt_s - 255.5 * dt_s - delay_s
    exact = np.where(t > 0.0, 500.0 * (1.0 - np.exp(-np.maximum(t, 0.0) / lag_s)), 0.0)
    assert np.max(np.abs(expected - exact)) < 0.6
    assert np.max(np.abs(expected - exact)[400:]) < 0.01


def test_ramp_response_trails_by_delay_and_lag() -> None:
    """A ramp is read late by delay plus lag (ramp lag = lag x rate), and its rate is the ramp's."""
    expected, rates = response(RAMP, 0.001, 0.1, 0.08)
    assert expected[1499] == pytest.approx(500.0 * (1.499 - 0.18), rel=1e-4)
    assert rates[1499] == pytest.approx(500.0, rel=1e-4)
    assert response(RAMP[::-1], 0.001, 0.1, 0.08)[1][1499] == pytest.approx(500.0, rel=1e-4)


@pytest.mark.parametrize(
    ("dt_s", "lag_s", "delay_s"), [(0.01, 0.1, 0.08), (0.02, 0.3, 0.2), (0.004, 0.05, 0.003)]
)
def test_any_command_agrees_with_lsim(dt_s: float, lag_s: float, delay_s: float) -> None:
    """An irregular command agrees with scipy.signal.lsim of 1 / (lag s + 1) on the late command."""
    random = np.random.default_rng(3)
    t = np.arange(600) * dt_s
    commands = 300.0 + 100.0 * np.sin(5.0 * t) + 5.0 * np.cumsum(random.normal(size=600))
    expected, _ = response(commands, dt_s, lag_s, delay_s)
    late = np.interp(t - delay_s, t, commands)
    _, exact, _ = lsim(([1.0], [lag_s, 1.0]), late - late[0], t)
    exact += late[0] * (1.0 - np.exp(-t / lag_s))
    assert np.max(np.abs(expected - exact)) < 0.5


@settings(max_examples=200, deadline=None)
@given(ratio=st.floats(0.0, 60.0), lag_s=st.floats(0.001, 10.0))
def test_kept_share_against_exp(ratio: float, lag_s: float) -> None:
    """The kept share is exp's within its stated tolerance, between 0 and 1, and falling."""
    found = kept_share(ratio * lag_s, lag_s)
    exact = exp(-ratio)
    tolerance = 2e-6 if ratio <= 0.2 else 0.0014 if ratio <= 1.0 else 0.02
    assert abs(found - exact) <= tolerance + 1e-12
    assert 0.0 < found <= 1.0
    assert kept_share((ratio + 0.01) * lag_s, lag_s) < found
    assert kept_share(ratio, 0.0) == 0.0


axis = st.lists(st.integers(-300, 300), min_size=2, max_size=8, unique=True).map(
    lambda points: [float(p) for p in sorted(points)]
)


@settings(max_examples=100, deadline=None)
@given(xs=axis, data=st.data())
def test_linear_interpolation_against_numpy(xs: list[float], data: st.DataObject) -> None:
    """Piecewise-linear tables read as numpy.interp does, ends held flat."""
    ys = data.draw(st.lists(st.floats(-50.0, 50.0), min_size=len(xs), max_size=len(xs)))
    x = data.draw(st.one_of(st.floats(-400.0, 400.0), st.sampled_from(xs)))
    found = interpolate(x, [*xs, nan], [*ys, nan], len(xs))
    assert found == pytest.approx(float(np.interp(x, xs, ys)), abs=1e-9)


@settings(max_examples=100, deadline=None)
@given(xs=axis, ys=axis, seed=st.integers(0, 9), data=st.data())
def test_bilinear_interpolation_against_scipy(
    xs: list[float], ys: list[float], seed: int, data: st.DataObject
) -> None:
    """Maps read as scipy's RegularGridInterpolator does, held flat beyond the edges."""
    cells = np.random.default_rng(seed).uniform(0.0, 100.0, (len(xs), len(ys)))
    x = data.draw(st.one_of(st.floats(-400.0, 400.0), st.sampled_from(xs)))
    y = data.draw(st.one_of(st.floats(-400.0, 400.0), st.sampled_from(ys)))
    found = interpolate_map(x, y, [*xs, nan], len(xs), [*ys, nan], len(ys), cells.ravel().tolist())
    inside = [np.clip(x, xs[0], xs[-1]), np.clip(y, ys[0], ys[-1])]
    exact = RegularGridInterpolator((xs, ys), cells)(inside)[0]
    assert found == pytest.approx(float(exact), abs=1e-9)


def test_tank_range() -> None:
    """Time share spraying times full flow; the derived row tank-range (5 L, 300 mL/min, 12 %)."""
    assert tank_minutes(5000.0, 300.0) == pytest.approx(16.66667, rel=1e-6)
    assert tank_minutes(5000.0, 300.0, 0.12) == pytest.approx(138.88889, rel=1e-6)
    assert tank_range_km(5000.0, 300.0, 0.12, 80.0) == pytest.approx(185.18519, rel=1e-6)
    assert tank_minutes(5000.0, 0.0) == float("inf")
