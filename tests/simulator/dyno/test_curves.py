"""Runs that are smoothed: what stays as it is, what is left of noise, what is refused."""

from math import pi

import numpy as np
import pytest

from simulator.dyno.curves import TooFewReadings, power_kw, sweep, torque_of_power_nm

T_S = np.arange(0.0, 5.0, 0.02)
RPM = 3000.0 + 800.0 * T_S - 40.0 * T_S * T_S


def test_what_rises_like_a_parabola_stays_as_it_is() -> None:
    """Savitzky and Golay's quadratic leaves those alone, slope and all."""
    found = sweep(T_S, RPM, 0.6)
    assert found.speed_rpm == pytest.approx(3000.0 + 800.0 * found.t_s - 40.0 * found.t_s**2)
    assert found.rise_rpm_s == pytest.approx(800.0 - 80.0 * found.t_s)
    assert found.rise_noise_rpm_s == pytest.approx(0.0, abs=1e-6)
    # Half a window at either end has nothing on its other side.
    assert found.t_s[0] == pytest.approx(0.3)
    assert found.t_s[-1] == pytest.approx(T_S[-1] - 0.3)


def test_the_noise_that_is_left_is_told() -> None:
    """Slopes scatter by as much as is said, of readings with 6 rpm of noise in whole rpm."""
    draw = np.random.default_rng(2)
    runs = [sweep(T_S, np.round(RPM + draw.normal(0.0, 6.0, len(T_S))), 0.6) for _ in range(300)]
    scatter = float(np.std([run.rise_rpm_s[100] for run in runs]))
    assert scatter == pytest.approx(float(np.mean([run.rise_noise_rpm_s for run in runs])), rel=0.1)


def test_a_longer_window_leaves_less_noise() -> None:
    """As the root of its third power, nearly."""
    draw = np.random.default_rng(3)
    noisy = RPM + draw.normal(0.0, 6.0, len(T_S))
    short, long = (sweep(T_S, noisy, window_s).rise_noise_rpm_s for window_s in (0.4, 0.8))
    assert 2.0 < short / long < 3.6


def test_readings_that_come_seldom_or_unevenly_are_laid_out_evenly() -> None:
    """Holes and a row that stands twice change little."""
    kept = np.sort(np.r_[np.delete(np.arange(len(T_S)), [30, 31, 77, 120]), 50])
    rpm = np.where(np.arange(len(kept)) % 3 == 0, np.nan, RPM[kept])
    found = sweep(T_S[kept], rpm, 0.6)
    assert found.rise_rpm_s == pytest.approx(800.0 - 80.0 * found.t_s, abs=4.0)


@pytest.mark.parametrize(
    ("step_s", "until_s", "says"),
    [(0.2, 5.0, "readings 0.2 s apart"), (0.02, 1.0, "a run of 0.98 s"), (0.5, 1.0, "2 readings")],
)
def test_too_few_readings_are_refused(step_s: float, until_s: float, says: str) -> None:
    """With what was found and what it would take."""
    t_s = np.arange(0.0, until_s, step_s)
    with pytest.raises(TooFewReadings, match=says):
        sweep(t_s, 3000.0 + 500.0 * t_s, 0.6)


def test_what_else_was_read_is_laid_out_by_speed() -> None:
    """At speeds the run went through; elsewhere nothing is known, nor of what was not read."""
    run = sweep(T_S, RPM, 0.6)
    boost = run.along(T_S, 0.03 * RPM)
    nothing = run.along(T_S, np.full(len(T_S), np.nan))
    found = run.by_speed({"boost": boost, "knock": nothing}, np.array([2000.0, 4000.0, 9000.0]))
    assert found["boost"][1] == pytest.approx(120.0, abs=0.01)
    assert np.isnan(found["boost"][[0, 2]]).all()
    assert np.isnan(found["knock"]).all()


def test_an_engine_that_slows_says_nothing_new() -> None:
    """Where it falls back through speeds it had, the first time counts."""
    rpm = np.where(T_S < 4.0, 3000.0 + 700.0 * T_S, 5800.0 - 700.0 * (T_S - 4.0))
    run = sweep(T_S, rpm, 0.3)
    found = run.by_speed({"t": run.t_s}, np.array([3700.0, 5100.0]))
    assert found["t"] == pytest.approx([1.0, 3.0], abs=0.01)


def test_power_is_torque_times_angular_speed() -> None:
    """100 N m at 6000 rpm are 62.83 kW, and back."""
    assert power_kw(100.0, 6000.0) == pytest.approx(20.0 * pi)
    assert torque_of_power_nm(20.0 * pi, 6000.0) == pytest.approx(100.0)
