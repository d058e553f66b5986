"""What the flow sensor should read, against laws of delay and lag and against scipy."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import lsim

from rules.step.arithmetic import kept_share
from rules.step.bank import remember_command
from rules.step.expectation import expect
from rules.step.from_rig import constants_of
from rules.step.step import fresh_state
from tests.kit.rigs import rig

Floats = npt.NDArray[np.float64]

RAMP: Floats = np.linspace(0.0, 749.0, 750)  # 500 mL/min a second at 500 Hz


def response(commands: Floats, dt_s: float, lag_s: float, delay_s: float) -> Floats:
    """Return expected readings for commands at even steps."""
    known = {"delay_s": delay_s, "lag_s": lag_s, "delay_within_s": 0.0, "lag_within_s": 0.0}
    k = constants_of(rig(flow_sensor=known))
    s = fresh_state(k)
    expected = []
    for i, command in enumerate(commands.tolist()):
        s.clock_s = i * dt_s
        s.commanded_ml_min = command
        remember_command(k, s)
        expect(k, s, dt_s if i else 0.0)
        expected.append(s.expected_ml_min)
    return np.array(expected)


def test_first_order_fractions() -> None:
    """A step's response at 1, 2, 3 and 5 time constants, by definition of a first-order lag."""
    expected = response(np.full(321, 1.0), 1.0 / 64.0, 1.0, 0.0)
    found = expected[[64, 128, 192, 320]]
    assert found == pytest.approx([0.6321206, 0.8646647, 0.9502129, 0.9932621], abs=1e-6)
    assert 1.0 - kept_share(0.1, 2.0) == pytest.approx(0.0487706, abs=1e-6)


def test_delayed_step_response() -> None:
    """A step after a delay and a lag follows 1 - exp(-(t - delay - dt / 2) / lag)."""
    dt_s, lag_s, delay_s = 1.0 / 512.0, 0.1, 0.08
    commands = np.where(np.arange(512) >= 128, 500.0, 0.0)
    expected = response(commands, dt_s, lag_s, delay_s)
    # The sampled step is a ramp over the step before: half a step early.
    t = np.arange(512) * dt_s - 127.5 * dt_s - delay_s
    exact = np.where(t > 0.0, 500.0 * (1.0 - np.exp(-np.maximum(t, 0.0) / lag_s)), 0.0)
    assert np.max(np.abs(expected - exact)) < 1.2
    assert np.max(np.abs(expected - exact)[200:]) < 0.02


def test_ramp_response_trails_by_delay_and_lag() -> None:
    """A ramp is read late by delay plus lag (ramp lag = lag x rate), up as well as down."""
    assert response(RAMP, 0.002, 0.1, 0.08)[749] == pytest.approx(500.0 * (1.498 - 0.18), rel=1e-4)
    falling = response(RAMP[::-1], 0.002, 0.1, 0.08)
    assert falling[749] == pytest.approx(500.0 * 0.18, rel=1e-3)


@pytest.mark.parametrize(
    ("dt_s", "lag_s", "delay_s"), [(0.01, 0.1, 0.08), (0.02, 0.3, 0.2), (0.004, 0.05, 0.003)]
)
def test_any_command_agrees_with_lsim(dt_s: float, lag_s: float, delay_s: float) -> None:
    """An irregular command agrees with scipy.signal.lsim of 1 / (lag s + 1) on the late command."""
    random = np.random.default_rng(3)
    t = np.arange(600) * dt_s
    commands = 300.0 + 100.0 * np.sin(5.0 * t) + 5.0 * np.cumsum(random.normal(size=600))
    expected = response(commands, dt_s, lag_s, delay_s)
    late = np.interp(t - delay_s, t, commands)
    _, exact, _ = lsim(([1.0], [lag_s, 1.0]), late - late[0], t)
    exact += late[0] * (1.0 - np.exp(-t / lag_s))
    assert np.max(np.abs(expected - exact)) < 0.5
