"""Whole plans of all shipped rigs: figures by hand, and what must hold of each."""

from dataclasses import replace
from math import isfinite

import pytest

from simulator.planning.plan import USES, Asked, plan_of
from simulator.rig.petrol_share import petrol_share
from tests.kit.planning import RIGS, rig_of


@pytest.mark.parametrize("name", RIGS)
def test_what_must_hold_of_each(name: str) -> None:
    """Bands ascend; the command asks for no more than full flow; shares are the check's."""
    rig = rig_of(name)
    plan = plan_of(rig, Asked())
    assert plan.boost_kpa == rig.paid.boost_kpa[-1]
    for low, high in (
        plan.power_kw, plan.needed_ml_min, plan.petrol_pct, plan.kg_kg, plan.intake_k, plan.all_k,
        plan.octane, plan.octane_all, plan.rating_ml_min,
    ):  # fmt: skip
        assert 0.0 < low <= high
        assert isfinite(high)
    assert all(one.spray_ml_min <= plan.at[0].flow_ml_min + 1e-9 for one in plan.speeds)
    share = petrol_share(rig, plan.boost_kpa)
    assert plan.petrol_pct == pytest.approx((share.least_pct, share.most_pct), rel=1e-9)
    assert plan.all_k[0] >= plan.intake_k[0]
    assert all(b[1] <= a[1] + 0.05 for a, b in zip(plan.curve, plan.curve[1:], strict=False))
    for over in plan.over_boost:
        flows = [one.flow_ml_min for one in over]
        assert flows == sorted(flows, reverse=True)
        assert over[-1].boost_kpa == plan.boost_kpa


def test_range_by_hand() -> None:
    """5 L at 300 mL/min last 16.67 min, 138.89 min at 12 % with spray, 185.19 km at 80 km/h."""
    rig = rig_of("brindle")
    rig = replace(rig, watch=replace(rig.watch, tank_reserve_ml=0.0))
    factor = plan_of(rig, Asked()).at[0].flow_ml_min / 300.0
    rig = replace(rig, spray=replace(rig.spray, tank_ml=5000.0 * factor))
    lasts = {one.use.name: one for one in plan_of(rig, Asked()).lasts}
    full, brisk = lasts[USES[0].name], lasts["brisk road"]
    assert full.minutes == pytest.approx(16.66667, rel=1e-6)
    assert full.km is None
    assert brisk.minutes == pytest.approx(138.88889, rel=1e-6)
    assert brisk.km == pytest.approx(185.18519, rel=1e-6)


def test_the_reserve_is_kept() -> None:
    """Brindle keeps 500 mL of 5 L: the tank lasts 4.5 L, and the reserve is told in seconds."""
    plan = plan_of(rig_of("brindle"), Asked())
    flow = plan.at[0].flow_ml_min
    assert plan.lasts[0].minutes == pytest.approx(4500.0 / flow)
    assert plan.reserve_s == pytest.approx(60.0 * 500.0 / flow)


def test_what_is_asked_counts() -> None:
    """A known power sets the petrol, a logged charge its temperature, a boost all of it."""
    rig = rig_of("brindle")
    usual = plan_of(rig, Asked())
    assert usual.charge_from == "rig"
    assert usual.air.dry_c == 25.0 + rig.charge_sensor.rise_k
    asked = plan_of(rig, Asked(charge_c=70.0, power_kw=180.0))
    assert (asked.charge_from, asked.air.dry_c) == ("asked", 70.0)
    assert asked.speeds[-1].burned.petrol_kg_s == pytest.approx(180.0 * 0.32 / 3600.0)
    assert asked.petrol_by_rig_kg_s == usual.petrol_by_rig_kg_s
    assert asked.saturates_kg_kg > usual.saturates_kg_kg
    low = plan_of(rig, Asked(boost_kpa=120.0))
    assert low.charge_from == "assumed"
    assert low.at[0].flow_ml_min > usual.at[0].flow_ml_min
    assert low.petrol_by_rig_kg_s < usual.petrol_by_rig_kg_s


@pytest.mark.parametrize("boost_kpa", [965.0, 2000.0, -90.0])
def test_where_nothing_is_sprayed_there_is_no_plan(boost_kpa: float) -> None:
    """Beyond the pump's pressure, or in a vacuum: refused."""
    with pytest.raises(ValueError, match="kPa"):
        plan_of(rig_of("brindle"), Asked(boost_kpa=boost_kpa))
