"""What a spray system can deliver at a boost, against laws and tables from outside."""

from math import inf, nan, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from rules.facts import CommandKind, Nozzle, Pump
from rules.step.command import commanded_flow_ml_min
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from tests.kit.rigs import of_kind, rig


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


def test_vacuum_adds_to_the_pressure_across_a_nozzle() -> None:
    """Square-root law: 1000 kPa pump, 35 kPa check valve, -65 kPa of manifold: 1.0331 of 0 kPa's.

    Where nothing boosts, full flow is that at the top of the timing table, below the air outside,
    and a map over negative boosts is read between its points.
    """
    at_rest, at_idle = (
        nozzle_flow(500.0, 690.0, 1000.0, check_valve_kpa=35.0, boost_kpa=kpa)
        for kpa in (0.0, -65.0)
    )
    assert at_idle / at_rest == pytest.approx(sqrt(1030.0 / 965.0), rel=1e-12)
    asked = {
        "kind": CommandKind.MAP,
        "start_boost_kpa": -25.0,
        "map_boost_kpa": (-25.0, -12.0),
        "map_duty_pct": (0.0, 80.0),
        "map_pct": ((0.0, 0.0), (0.0, 100.0)),
    }
    paid = {"boost_kpa": (-25.0, -8.0), "timing_deg": (0.0, 5.0), "dry_limit_kpa": -15.0}
    facts = of_kind(CommandKind.MAP, command=asked, paid=paid, ladder={"release_below_kpa": -35.0})
    k = constants_of(facts)
    assert facts.unboosted
    assert k.full_ml_min == full_flow_ml_min(k, -8.0) > full_flow_ml_min(k, 0.0)
    for boost_kpa, duty_pct, share in ((-60.0, 80.0, 0.0), (-18.5, 40.0, 0.25), (-3.0, 80.0, 1.0)):
        commanded = commanded_flow_ml_min(k, boost_kpa, duty_pct, inf, nan)
        assert commanded == pytest.approx(share * full_flow_ml_min(k, boost_kpa), abs=1e-9)


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


@settings(max_examples=60)
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
