"""What cars are drawn: within their ranges, by index alone, never a tuning seed."""

import pickle
from dataclasses import fields, replace
from math import isclose, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import triang

from simulator.plant.sizing import size, soonest_s
from simulator.proof.population import MOST_RUNS, Population, Range, draw, filled
from simulator.scenario import load_scenario
from tests.kit.proofs import brindle

RIG = brindle()
LIKELY = filled(Population(), RIG.rig, RIG.time.period_s)


@given(st.floats(0.0, 1.0, exclude_max=True), st.integers(0, 2**31))
def test_a_range_is_kept(share: float, number: int) -> None:
    """Whatever is drawn lies within; the triangular one is the textbook's."""
    for given_range in (Range(2.0, 5.0), Range(2.0, 5.0, 3.0), Range(2.0, 5.0, 5.0)):
        assert 2.0 <= given_range.at(share) <= 5.0
    assert Range(3.0, 3.0).at(share) == 3.0
    expected = float(triang(1.0 / 3.0, 2.0, 3.0).ppf(share))
    assert isclose(Range(2.0, 5.0, 3.0).at(share), expected, abs_tol=1e-9)


def test_gaps_are_filled_from_the_rig() -> None:
    """What the file leaves open is what the rig allows; what it says stays."""
    sensor = RIG.rig.flow_sensor
    assert LIKELY.delay_s is not None
    assert LIKELY.delay_s.least == pytest.approx(sensor.delay_s - sensor.delay_within_s)
    assert LIKELY.delay_s.most == pytest.approx(sensor.delay_s + sensor.delay_within_s)
    assert all(getattr(LIKELY, field.name) is not None for field in fields(Population))
    own = Range(0.0, 0.1)
    assert filled(Population(pump_wear=own), RIG.rig, 0.01).pump_wear is own


def test_a_car_is_its_number() -> None:
    """The same number, the same car; another set, another; seeds are evaluation seeds."""
    cars = [draw(LIKELY, number) for number in range(200)]
    assert draw(LIKELY, 7) == cars[7]
    assert draw(LIKELY, 7, 1) != cars[7]
    assert all(car.seed >= 2**31 for car in cars)
    gains = np.array([car.spread.gain for car in cars])
    assert LIKELY.gain is not None
    assert gains.min() >= LIKELY.gain.least
    assert gains.max() <= LIKELY.gain.most
    assert abs(gains.mean()) < 0.01
    # One range changed, the others are drawn as before.
    colder = draw(replace(LIKELY, ambient_c=Range(-10.0, 0.0)), 7)
    assert colder.spread == cars[7].spread
    assert colder.ambient_c < 0.0


def test_impossible_draws_are_refused() -> None:
    """A number beyond the set would be another set's car; a gap is no car."""
    for number in (-1, MOST_RUNS):
        with pytest.raises(ValueError, match=f"number: found {number}"):
            draw(LIKELY, number)
    with pytest.raises(ValueError, match="delay_s: found no range"):
        draw(Population(), 0)


def test_a_workers_copy_draws_alike() -> None:
    """A population goes to another process and draws the same cars there."""
    assert draw(pickle.loads(pickle.dumps(LIKELY)), 3) == draw(LIKELY, 3)


def test_the_simulated_car_is_as_drawn() -> None:
    """Each property of a spread is in the plant's constants; octane NaN is the rig's."""
    scenario = replace(load_scenario("pump_stop"), rig=RIG.rig)
    drawn = draw(LIKELY, 3)
    own = replace(drawn.spread, gain=0.05, noise=0.02, octane=91.0, pump_wear=0.25)
    plain = size(RIG.rig, scenario, 5)
    k = size(RIG.rig, replace(scenario, spread=own), 5)
    assert (k.flow_gain, k.flow_noise, k.petrol_octane) == (1.05, 0.02, 91.0)
    assert k.shut_off_kpa == 0.75 * plain.shut_off_kpa
    delay_s = soonest_s(k)[0] + (k.actuation_steps + k.sensor_steps) * k.dt_s
    assert delay_s == pytest.approx(own.delay_s, abs=k.dt_s)
    as_rig = size(RIG.rig, replace(scenario, spread=replace(own, octane=nan)), 5)
    assert as_rig.petrol_octane == RIG.rig.engine.petrol_octane
