"""How far spray cools the charge, where a dry temperature stands beside it; else why not."""

import numpy as np
import pytest

from simulator.identify import Series, identify
from tests.kit.known_cars import KnownCar, log_of
from tests.kit.rigs import ALL_CHANNELS, rig, terms

RIG = rig(channels=terms(*ALL_CHANNELS))


def log(*, dry: bool) -> Series:
    """Return four long pulls in a charge of 50 degC that full spray cools by 20 K."""
    pull = np.concatenate((np.zeros(3000), np.full(6000, 5000.0)))
    car = KnownCar(gain=1.0, noise=0.01, rate_hz=20.0, jitter=0.0)
    flow = log_of(np.random.default_rng(1), car, np.concatenate((*[pull] * 4, np.zeros(3000))))
    sprays = flow.column("commanded_ml_min") > 0.0
    columns = {**flow.columns, "intake_c": np.where(sprays, 30.0, 50.0)}
    if dry:
        columns["dry_intake_c"] = np.full(len(flow.t_s), 50.0)
    return Series(flow.t_s, columns)


def test_cooling_is_told_beside_a_dry_temperature() -> None:
    """To a kelvin, and no day's tolerance is less than 30 %."""
    numbers = identify([log(dry=True)], RIG).numbers
    assert numbers["charge_sensor.drop_k"].value == pytest.approx(20.0, abs=1.0)
    assert numbers["charge_sensor.drop_within"].value == pytest.approx(30.0)


def test_without_a_dry_temperature_it_is_not() -> None:
    """What boost warms and spray cools can't be told apart."""
    number = identify([log(dry=False)], RIG).numbers["charge_sensor.drop_k"]
    assert number.value is None
    assert "without a dry intake temperature" in number.why_not


def test_days_bound_it_and_one_does_not() -> None:
    """Four logs have an interval for the next; one says what to log."""
    one = identify([log(dry=True)], RIG).numbers["charge_sensor.drop_k"]
    assert (one.low, one.high) == (None, None)
    assert "logs of four days" in one.why_not
    days = []
    for dry_c in (48.0, 50.0, 53.0, 49.0):
        day = log(dry=True)
        days.append(Series(day.t_s, {**day.columns, "dry_intake_c": np.full(len(day.t_s), dry_c)}))
    four = identify(days, RIG).numbers["charge_sensor.drop_k"]
    assert four.low is not None
    assert four.high is not None
    assert four.low < 18.0
    assert four.high > 23.0
    assert four.from_ == "16 pulls of 4 logs"
