"""Spray as a share of the petrol: the shipped cars', and a rig's that can't be right."""

from dataclasses import replace
from math import inf

import pytest

from rules.facts import Rig
from rules.petrol import petrol_kg_s
from simulator.plant import Do, Scenario, Step
from simulator.plant.car import Car
from simulator.plant.tuning import tune
from simulator.rig import load_rig, shipped_rigs
from simulator.rig.petrol_share import (
    PRACTICE_PCT,
    outside_practice,
    petrol_share,
    petrol_shares,
)

RIGS = {name: load_rig(path).rig for name, path in sorted(shipped_rigs().items())}


def with_nozzles(rig: Rig, times: float) -> Rig:
    """Return a rig whose nozzles pass so many times as much, and whose pump does likewise."""
    nozzles = tuple(
        replace(nozzle, rated_ml_min=times * nozzle.rated_ml_min) for nozzle in rig.spray.nozzles
    )
    pump = replace(rig.spray.pump, free_flow_ml_min=times * rig.spray.pump.free_flow_ml_min)
    return replace(rig, spray=replace(rig.spray, nozzles=nozzles, pump=pump))


@pytest.mark.parametrize("name", RIGS)
def test_shipped_cars_spray_what_is_usual(name: str) -> None:
    """At full boost spray stays within 10 to 35 % of the petrol at every speed, and no caution."""
    shares = petrol_shares(RIGS[name])
    low, high = PRACTICE_PCT
    assert low <= shares[-1].least_pct <= shares[-1].most_pct <= high
    assert max(share.most_pct for share in shares) <= high
    assert outside_practice(shares) == ""


@pytest.mark.parametrize("name", RIGS)
def test_the_spray_can_buy_the_timing_it_paid_for(name: str) -> None:
    """The in-cylinder share fitted to a car lies inside its range, so it pays with what it has."""
    found = tune(RIGS[name], None)
    assert 0.15 < found.in_cylinder < 0.9
    assert found.bought_deg == pytest.approx(RIGS[name].paid.timing_deg[-1] + 1.0, abs=0.1)


@pytest.mark.parametrize("times", [0.2, 3.0])
@pytest.mark.parametrize("name", RIGS)
def test_a_rig_outside_practice_is_told(name: str, times: float) -> None:
    """Nozzles of three times the size, or a fifth, raise the caution with the share in it."""
    shares = petrol_shares(with_nozzles(RIGS[name], times))
    told = outside_practice(shares)
    worst = max(share.most_pct for share in shares)
    assert f"{worst:.0f} % of the petrol" in told
    assert "common practice is 10 to 35 % (no source)" in told


@pytest.mark.parametrize("name", RIGS)
def test_the_plant_sprays_as_large_a_share(name: str) -> None:
    """In a steady pull the simulated car's own spray over petrol is the reckoned share."""
    rig = RIGS[name]
    drive = (Step(Do.CRUISE, 2.0, 3), Step(Do.PULL, 8.0, 3))
    car = Car(rig, Scenario("pull", "", rig, drive), 3, compiled=True)
    most_kpa = rig.paid.boost_kpa[-1]
    compared = steady = 0
    while not car.finished:
        car.step(0.0, inf)
        s = car.state
        boost_kpa, of_redline = s.boost_kpa, s.speed_rpm / rig.engine.redline_rpm
        pulls = s.clutch_open == 0.0 and boost_kpa > 0.9 * most_kpa and of_redline > 0.6
        steady = steady + 1 if pulls else 0
        if steady < 50:  # half a second, so that the spray has caught up
            continue
        spray_kg_s = s.nozzle_ml_min * rig.spray.fluid_kg_m3 * 1e-6 / 60.0
        share_pct = 100.0 * spray_kg_s / s.petrol_kg_s
        reckoned = petrol_share(rig, boost_kpa)
        assert 0.85 * reckoned.least_pct < share_pct < 1.15 * reckoned.most_pct
        petrol = petrol_kg_s(rig, boost_kpa, s.speed_rpm)
        assert petrol == pytest.approx(s.petrol_kg_s, rel=0.15)
        compared += 1
    assert compared > 100


def test_petrol_agrees_with_a_hand_calculation() -> None:
    """1.8 L at 95 % and 6000 rpm, 271.3 kPa and 313 K draw 0.258 kg/s: 0.0214 kg/s of petrol."""
    air_kg_s = 0.95 * 1.8e-3 * 50.0 * 271.3e3 / (287.05 * 313.0)
    assert petrol_kg_s(RIGS["brindle"], 170.0, 6000.0) == pytest.approx(
        air_kg_s / (14.7 * 0.82), rel=1e-6
    )
