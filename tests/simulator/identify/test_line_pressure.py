"""The line's pressure over its command, as the guard reckons what is due."""

from dataclasses import replace

import numpy as np
import pytest

from rules.channels import CHANNEL_NAMES, COLUMN_OF
from simulator.identify import Series, identify
from simulator.identify.line_pressure import LineFit, line_numbers
from simulator.rig import find_rig, load_rig
from tests.bench.healthy.car import Spread, rows_for
from tests.bench.healthy.drive import make_drive

RIG = load_rig(find_rig("brindle")).rig


def test_gain_and_noise_of_the_line_are_told() -> None:
    """A gauge that reads 5 % low; strokes make its noise."""
    rng = np.random.default_rng(3)
    rows = rows_for(rng, RIG, make_drive(rng, RIG, 120.0), Spread(50.0, line_gain=0.95))
    read = {name: rows[:, COLUMN_OF[name]] for name in CHANNEL_NAMES}
    log = Series(rows[:, 0], {n: np.where(np.isfinite(c), c, np.nan) for n, c in read.items()})
    numbers = identify([log], RIG).numbers
    gain = numbers["line_sensor.gain"]
    assert gain.value == pytest.approx(0.95, abs=0.01)
    within = numbers["line_sensor.gain_within"].value
    assert within is not None
    assert 5.0 < within < 12.0
    noise = numbers["line_sensor.noise"].value
    assert noise is not None
    assert 1.0 < noise < 5.0
    assert "strokes are faster than its rows" in numbers["spray.pump.ripple"].why_not


def test_log_without_line_pressure_says_so() -> None:
    """No column, no numbers."""
    rng = np.random.default_rng(3)
    rows = rows_for(rng, RIG, make_drive(rng, RIG, 120.0), Spread(50.0))
    names = ("boost_kpa", "commanded_ml_min", "delivered_ml_min")
    log = Series(rows[:, 0], {name: rows[:, COLUMN_OF[name]] for name in names})
    numbers = identify([log], RIG).numbers
    assert "no line pressure" in numbers["line_sensor.gain"].why_not
    assert "no healthy log tells" in numbers["charge_sensor.rise_k"].why_not
    assert "no pump stops under spray" in numbers["spray.pump.run_down"].why_not


@pytest.mark.parametrize(("period_s", "lasts_s"), [(0.01, 0.02), (0.05, 0.05)])
def test_noise_lasts_no_shorter_than_rows_show(period_s: float, lasts_s: float) -> None:
    """Noise that rows show no correlation of: the rig's stays, or a row's, where that is longer."""
    fit = LineFit(np.ones(3), 0.05, 0.1, np.full(3, 0.03), 0.0, period_s, 300)
    rig = replace(RIG, line_sensor=replace(RIG.line_sensor, noise_lasts_s=0.02))
    assert line_numbers(fit, rig)["line_sensor.noise_lasts"].value == lasts_s
