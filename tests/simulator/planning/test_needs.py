"""Petrol, spray that goes with it, and methanol as a fuel, against published figures."""

import pytest
from hypothesis import given
from hypothesis import strategies as some

from rules.petrol import petrol_kg_s
from simulator.planning.needs import (
    PETROL_AIR,
    as_fuel,
    burned_at,
    fluid_kg_s,
    needed_ml_min,
    petrol_for,
    power_kw,
)
from simulator.plant.mixture import stoichiometric_air
from tests.kit.planning import rig_of

FLOW = some.floats(1e-3, 1.0)


def test_methanol_as_a_fuel() -> None:
    """200 g/s of air, 16 of petrol, 1.5 of methanol: phi = (16 * 14.7 + 1.5 * 6.473) / 200.

    The spray lost, lambda rises from 0.81663 to 0.85034. By the air it takes a gram is 0.44034 g of
    petrol, by heat 0.4582 (19.93 of 43.5 MJ/kg; US DOE AFDC: 20.09 of 43.44): derived from elements
    and formation enthalpies.
    """
    fuel = as_fuel(200.0, 16.0, 1.5)
    assert fuel.lambda_without == pytest.approx(0.85034, abs=1e-5)
    assert fuel.lambda_with == pytest.approx(0.81663, abs=1e-5)
    assert fuel.petrol_for_air == pytest.approx(1.5 * 0.44034, abs=1e-5)
    by_heat = fuel.heat_share / (1.0 - fuel.heat_share) * 16.0 / 1.5
    assert by_heat == pytest.approx(0.4582, rel=0.01)


def test_petrol_with_ethanol_takes_less_air() -> None:
    """E10 by volume is 10.533 % ethanol by mass: 14.10 from 14.7 and 9.004 (ratios mix by mass).

    What a plan says of E10 beside the convention of 14.7.
    """
    e10 = 0.10533 * stoichiometric_air(2.0, 6.0, 1.0) + (1.0 - 0.10533) * PETROL_AIR
    assert e10 == pytest.approx(14.1, abs=0.02)


def test_common_practice_by_hand() -> None:
    """40 g/s of petrol, a tenth of it as water of 1000 kg/m3: 4 mL/s; 35 %: 14 mL/s."""
    assert needed_ml_min(0.04, 1000.0) == pytest.approx((240.0, 840.0))
    assert fluid_kg_s(600.0, 1000.0) == pytest.approx(0.01)


def test_petrol_for_a_power() -> None:
    """320 g for a kWh: 225 kW burn 72 kg/h, and that speaks for a span round 225 kW."""
    petrol = petrol_for(225.0)
    assert 3600.0 * petrol == pytest.approx(72.0)
    low, high = power_kw(petrol)
    assert low < 225.0 < high
    assert (72e3 / low, 72e3 / high) == pytest.approx((380.0, 280.0))


def test_a_known_power_scales_petrol_and_air() -> None:
    """Twice the petrol, twice the air: lambda by the petrol stays 0.82 (common practice)."""
    rig = rig_of("brindle")
    once, twice = burned_at(rig, 150.0, 6000.0), burned_at(rig, 150.0, 6000.0, 2.0)
    assert once.petrol_kg_s == petrol_kg_s(rig, 150.0, 6000.0)
    assert twice.air_kg_s == pytest.approx(2.0 * once.air_kg_s)
    assert once.air_kg_s / once.petrol_kg_s / 14.7 == pytest.approx(0.82)


@given(FLOW, FLOW, some.floats(0.0, 0.5), some.floats(0.0, 0.5))
def test_more_methanol_is_never_leaner(air: float, petrol: float, one: float, other: float) -> None:
    """More methanol: richer, and more of the heat; without any, nothing is lost with the spray."""
    less, more = sorted((one, other))
    a, b = as_fuel(air, petrol, less), as_fuel(air, petrol, more)
    assert b.lambda_with <= a.lambda_with <= a.lambda_without == b.lambda_without
    assert 0.0 <= a.heat_share <= b.heat_share < 1.0
    dry = as_fuel(air, petrol, 0.0)
    assert dry.lambda_with == dry.lambda_without
