"""What a rig says of its flow sensor is what its simulated car's reading shows."""

from dataclasses import replace

import numpy as np
import pytest

from rules.facts import FlowSensor, Rig
from simulator.identify.flow import FlowFit, fit_flow
from simulator.identify.spraying import spraying
from simulator.plant import Scenario, Spread
from simulator.plant.sizing import size, soonest_s
from simulator.rig import find_rig, load_rig
from tests.kit.plant_logs import log_of, pulls, rows_of
from tests.kit.plants import RIG, scenario

FLOW_RIGS = ("brindle", "tarnwick", "ullesby", "wexmoor", "quarrick")


def car(rig: Rig, delay_s: float, lag_s: float) -> Scenario:
    """Return four healthy pulls of a car of this rig with a delay and a lag of its own."""
    return replace(pulls(rig, 4), spread=Spread(delay_s, lag_s, 0.0, 0.035))


def fitted(scenario: Scenario, seed: int) -> FlowFit:
    """Fit delay and lag to a car's pulls."""
    return fit_flow(spraying([log_of(rows_of(scenario, seed))], scenario.rig))


@pytest.mark.parametrize("name", FLOW_RIGS)
def test_healthy_pulls_show_the_rigs_delay_and_lag(name: str) -> None:
    """Within 6 ms and a tenth, as the guard's own model sees them."""
    rig = load_rig(find_rig(name)).rig
    sensor = rig.flow_sensor
    fits = [fitted(car(rig, sensor.delay_s, sensor.lag_s), seed) for seed in (1, 2, 3)]
    assert np.mean([fit.delay_s for fit in fits]) == pytest.approx(sensor.delay_s, abs=0.006)
    assert np.mean([fit.lag_s for fit in fits]) == pytest.approx(sensor.lag_s, rel=0.1)


def test_no_reading_is_quicker_than_valve_and_meter() -> None:
    """A rig that says less has a car that shows what these take, delay and lag together."""
    quick = car(load_rig(find_rig("brindle")).rig, 0.01, 0.01)
    k = size(quick.rig, quick, 1)
    assert (k.actuation_steps, k.sensor_steps) == (0, 0)
    fit = fitted(quick, 1)
    assert fit.delay_s + fit.lag_s == pytest.approx(sum(soonest_s(k)), abs=0.012)


def test_what_the_engine_gets_is_no_sooner_for_a_quick_meter() -> None:
    """The valve is asked as late as ever; what meter and valve add is off the sensor's own part."""
    k = size(RIG, scenario(), 1)
    delays_s = FlowSensor().delay_s + 0.4 * FlowSensor().delay_within_s * np.array([-1.0, 1.0])
    assert 0.55 * delays_s[0] <= k.actuation_steps * k.dt_s <= 0.55 * delays_s[1]
    deaf = replace(RIG, channels=tuple(c for c in RIG.channels if c.name != "delivered_ml_min"))
    assert size(deaf, scenario(rig=deaf), 1).actuation_steps == k.actuation_steps


def test_cars_spread_no_farther_than_their_rig_may_be_off() -> None:
    """Symmetric about the rig's numbers, over two fifths of what these may be off; gain a half."""
    known = FlowSensor(delay_within_s=0.01, lag_within_s=0.02, gain_within=0.02, noise=0.02)
    sure = replace(RIG, flow_sensor=known)
    cars = [size(sure, scenario(rig=sure), seed) for seed in range(60)]
    for values, least, most in (
        ([(k.actuation_steps + k.sensor_steps) * k.dt_s for k in cars], -0.004, 0.004),
        ([k.sensor_lag_s for k in cars], -0.008, 0.008),
        ([k.flow_gain for k in cars], -0.01, 0.01),
        ([k.flow_noise for k in cars], -0.0025, 0.0025),
    ):
        middle = 0.5 * (min(values) + max(values))
        assert min(values) - middle == pytest.approx(least, rel=0.15, abs=0.0006)
        assert max(values) - middle == pytest.approx(most, rel=0.15, abs=0.0006)
        assert np.mean(values) == pytest.approx(middle, abs=0.2 * most)
