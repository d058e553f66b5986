"""From a healthy log to its car's numbers: right, with intervals, or a sentence why not."""

from typing import Any

import numpy as np
import pytest

from simulator.identify import Identified, Series, identify
from simulator.plant import Fault, FaultKind
from simulator.rig import find_rig, load_rig
from tests.kit.plant_logs import drive, log_of
from tests.kit.rigs import rig
from tests.simulator.identify.logs import known_log

RIG = rig()


def value(found: Identified, key: str) -> float:
    """Return a number that was told."""
    number = found.numbers[key].value
    assert number is not None
    return number


def changed(log: Series, **columns: Any) -> Series:
    """Return a log with other columns."""
    return Series(log.t_s, {**log.columns, **columns})


@pytest.mark.parametrize("refresh_s", [0.0, 0.1])
def test_car_is_told_from_six_pulls(refresh_s: float) -> None:
    """Delay within 20 ms, lag within 20 %, gain within 1.5 %, refresh, and nothing left out."""
    log = known_log(5, delay_s=0.13, lag_s=0.06, gain=0.95, refresh_s=refresh_s, step_ml_min=1.0)
    found = identify([log], RIG)
    assert value(found, "flow_sensor.transport_delay") == pytest.approx(0.13, abs=0.02)
    assert value(found, "flow_sensor.lag") == pytest.approx(0.06, rel=0.2)
    assert value(found, "flow_sensor.gain") == pytest.approx(0.95, rel=0.015)
    assert value(found, "flow_sensor.noise") == pytest.approx(2.0, rel=0.3)
    assert value(found, "flow_sensor.refresh") == pytest.approx(refresh_s, rel=0.01)
    assert value(found, "flow_sensor.resolution") == pytest.approx(1.0)
    assert value(found, "time.period") == pytest.approx(0.01, rel=0.01)
    assert found.left_out == ()
    delay = found.numbers["flow_sensor.transport_delay"]
    assert delay.low is not None
    assert delay.high is not None
    within_s = value(found, "flow_sensor.transport_delay_within")
    assert within_s >= 0.999 * 0.5 * (delay.high - delay.low)


def test_logs_of_one_car_add_up() -> None:
    """Two logs of three pulls tell of six."""
    logs = [known_log(seed, pulls=3) for seed in (7, 8)]
    found = identify(logs, RIG)
    assert [pull.series for pull in found.pulls] == [0, 0, 0, 1, 1, 1]
    assert found.numbers["flow_sensor.lag"].from_.startswith("6 pulls")


def test_pull_with_a_fault_is_left_out() -> None:
    """Half of the flow missing in one pull of six: said, left out, and the rest still right."""
    log = known_log(9)
    clean = identify([log], RIG)
    third = clean.pulls[2]
    reading = log.column("delivered_ml_min")
    missing = (log.t_s > third.begins_s + 1.0) & (log.t_s < third.ends_s)
    found = identify([changed(log, delivered_ml_min=np.where(missing, 0.5, 1.0) * reading)], RIG)
    assert [bool(pull.left_out) for pull in found.pulls] == [i == 2 for i in range(6)]
    assert found.left_out[0].startswith("1 of 6 pulls left out: at ")
    assert "under-delivery" in found.left_out[0]
    assert value(found, "flow_sensor.gain") == pytest.approx(1.0, rel=0.015)


def test_a_stop_in_the_last_of_three_pulls_is_told_of_that_one() -> None:
    """Not as noise of all three, nor by a fit to the stop, by which the others would look odd."""
    car = load_rig(find_rig("brindle")).rig
    log = log_of(drive(car, 1, Fault(FaultKind.PUMP_STOP, 25.0)))
    found = identify([log.between(0, int(np.searchsorted(log.t_s, 30.0)))], car)
    assert [pull.left_out for pull in found.pulls] == ["", "", "under-delivery"]


def test_mostly_unhealthy_log_makes_no_rig() -> None:
    """Where half of the pulls lose their spray, no number is told."""
    log = known_log(9)
    pulls = identify([log], RIG).pulls
    share = np.ones(len(log.t_s))
    for pull in pulls[::2]:
        share[(log.t_s > pull.begins_s + 1.0) & (log.t_s < pull.ends_s + 1.0)] = 0.3
    found = identify([changed(log, delivered_ml_min=share * log.column("delivered_ml_min"))], RIG)
    lag = found.numbers["flow_sensor.lag"]
    assert lag.value is None
    assert lag.why_not == "half or more of the pulls don't look healthy: no rig is made of them"


def test_command_that_never_moves_tells_gain_alone() -> None:
    """Delay and lag have no number but the sentence."""
    found = identify([known_log(4, gain=0.9, asked=np.full(20_000, 400.0))], RIG)
    delay = found.numbers["flow_sensor.transport_delay"]
    assert delay.value is None
    assert delay.why_not.startswith("not enough in this log: the command never moves")
    assert value(found, "flow_sensor.gain") == pytest.approx(0.9, rel=0.015)


def test_slow_rows_have_no_interval() -> None:
    """At 10 rows a second the sensor's own period may hide: said, and the tolerance is wide."""
    found = identify([known_log(6, rate_hz=10.0)], RIG)
    delay = found.numbers["flow_sensor.transport_delay"]
    assert (delay.low, delay.high) == (None, None)
    assert delay.why_not.startswith("rows come only 10 times a second")
    assert value(found, "flow_sensor.transport_delay_within") > 0.1


def test_log_without_spray_says_so() -> None:
    """No spray, no numbers."""
    found = identify([known_log(6, asked=np.zeros(5000))], RIG)
    assert found.pulls == ()
    assert "no spray is ever commanded" in found.numbers["flow_sensor.gain"].why_not
    spraying = identify([known_log(6)], RIG)
    assert set(found.numbers) == set(spraying.numbers)
    log = known_log(6)
    blind = identify([changed(log, delivered_ml_min=np.full(len(log.t_s), np.nan))], RIG)
    assert "it has no delivered flow" in blind.numbers["flow_sensor.gain"].why_not
