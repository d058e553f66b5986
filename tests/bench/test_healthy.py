"""Healthy driving by a generator that shares nothing with plant or rules: nothing is said."""

import numpy as np
import pytest

from rules.facts import Action
from rules.guard import Guard
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from simulator.rig import find_rig, load_rig
from tests.bench.healthy import suite
from tests.bench.healthy.car import Spread, full_flow, rows_for
from tests.bench.healthy.drive import make_drive


@pytest.mark.parametrize("rig", suite.RIGS)
@pytest.mark.parametrize("rate_hz", suite.RATES_HZ)
def test_car_near_its_rig_is_left_alone(rig: str, rate_hz: float) -> None:
    """Ten minutes of a car as its rig says lead to no action, and spray for some of them."""
    seen = suite.run(suite.Case(rig, rate_hz, "near the rig", (7, int(rate_hz))))
    assert seen.bouts == ()
    assert seen.spraying_h > 0.01


@pytest.mark.parametrize("name", suite.RIGS)
def test_car_that_gets_half_is_found(name: str) -> None:
    """With half the flow, or pressure, the same driving is acted on: silence above has a sense."""
    rng = np.random.default_rng(7)
    rig = load_rig(find_rig(name)).rig
    rows = rows_for(rng, rig, make_drive(rng, rig, 120.0), Spread(50.0, gain=0.5, line_gain=0.5))
    actions = Guard(rig).run_rows(rows)[:, suite.ACTION]
    assert actions.max() >= Action.PULL_TIMING


@pytest.mark.parametrize("name", suite.RIGS)
def test_full_flow_of_two_hands_agrees(name: str) -> None:
    """Root finding here and the rules' closed form give the same flow, to 0.1 %."""
    rig = load_rig(find_rig(name)).rig
    for boost_kpa in (0.0, 50.0, 100.0, 150.0):
        by_rules = full_flow_ml_min(constants_of(rig), boost_kpa)
        assert full_flow(rig, boost_kpa) == pytest.approx(by_rules, rel=1e-3)
