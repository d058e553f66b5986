"""What cars are drawn: within their ranges, by index alone, never a tuning seed."""

import pickle
from dataclasses import fields, replace
from math import isclose, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import triang

from rules.guard import Guard
from rules.step.state import Decision
from simulator.plant import Do, Scenario, Spread, Step
from simulator.plant.sizing import size, soonest_s
from simulator.proof.population import MOST_RUNS, Population, Range, draw, filled
from simulator.rig import find_rig, load_rig
from simulator.scenario import load_scenario
from tests.kit.plant_logs import rows_of
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
    """What the file leaves open is within what the rig allows; what it says stays."""
    sensor = RIG.rig.flow_sensor
    assert LIKELY.delay_s is not None
    assert LIKELY.lag_s is not None
    assert LIKELY.delay_s.least == pytest.approx(sensor.delay_s - 0.6 * sensor.delay_within_s)
    assert LIKELY.delay_s.most == pytest.approx(sensor.delay_s + 0.6 * sensor.delay_within_s)
    assert LIKELY.lag_s.least == pytest.approx(sensor.lag_s - sensor.lag_within_s)
    assert all(getattr(LIKELY, field.name) is not None for field in fields(Population))
    within = 0.5 * RIG.rig.line_sensor.gain_within
    assert LIKELY.line_gain is not None
    assert LIKELY.line_gain.ends == (-within, within)
    blind = replace(RIG.rig, channels=tuple(c for c in RIG.rig.channels if c.name != "line_kpa"))
    assert repr(filled(Population(), blind, 0.01).line_gain) == repr(Range(-0.0, 0.0))
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


@pytest.mark.parametrize("end", ["least", "most"])
def test_the_quickest_meter_is_one_that_its_rig_allows_for(end: str) -> None:
    """Ends that show sooner than a delay says, and onsets that show later, speak for nothing.

    A V8 whose spray begins at a few per cent, and is cut off within a row.
    """
    rig = load_rig(find_rig("quarrick")).rig
    likely = filled(Population(), rig, 0.01)
    assert likely.delay_s is not None
    assert likely.lag_s is not None
    spread = Spread(getattr(likely.delay_s, end), likely.lag_s.least, 0.0, rig.flow_sensor.noise)
    steps = [Step(Do.IDLE, 2.0), Step(Do.CRUISE, 2.0, 3)]
    for gear, throttle_pct, for_s in (
        (3, nan, 4.0),
        (4, 60.0, 3.0),
        (3, nan, 0.4),
        (3, 80.0, 0.3),
        (2, nan, 2.0),
        (5, 75.0, 3.0),
        (3, nan, 1.0),
    ):
        steps += [Step(Do.PULL, for_s, gear, throttle_pct), Step(Do.LIFT, 2.5)]
        steps += [Step(Do.CRUISE, 1.5, 3)]
    scenario = Scenario("lifts", "", rig, tuple(steps), rate_hz=100.0, spread=spread)
    for seed in (2, 3):
        guard = Guard(rig)
        decided = Decision.named(guard.run_rows(rows_of(scenario, seed)))
        assert decided["evidence"].max() < 0.75 * guard.constants.limit_nats


def test_a_workers_copy_draws_alike() -> None:
    """A population goes to another process and draws the same cars there."""
    assert draw(pickle.loads(pickle.dumps(LIKELY)), 3) == draw(LIKELY, 3)


def test_the_simulated_car_is_as_drawn() -> None:
    """Each property of a spread is in the plant's constants; octane NaN is the rig's."""
    scenario = replace(load_scenario("pump_stop"), rig=RIG.rig)
    drawn = draw(LIKELY, 3)
    own = replace(drawn.spread, gain=0.05, noise=0.02, octane=91.0, pump_wear=0.25, line_gain=0.5)
    plain = size(RIG.rig, scenario, 5)
    k = size(RIG.rig, replace(scenario, spread=own), 5)
    assert (k.flow_gain, k.flow_noise, k.petrol_octane) == (1.05, 0.02, 91.0)
    assert k.shut_off_kpa == 0.75 * plain.shut_off_kpa
    assert (k.line_gain, plain.line_gain) == (1.5, 1.0)
    delay_s = soonest_s(k)[0] + (k.actuation_steps + k.sensor_steps) * k.dt_s
    assert delay_s == pytest.approx(own.delay_s, abs=k.dt_s)
    as_rig = size(RIG.rig, replace(scenario, spread=replace(own, octane=nan)), 5)
    assert as_rig.petrol_octane == RIG.rig.engine.petrol_octane
