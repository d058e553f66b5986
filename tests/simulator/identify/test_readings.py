"""What is told of readings alone: rate, resolution, refresh."""

import numpy as np
import pytest

from simulator.identify.readings import rate_of, refresh_of, resolution_of
from tests.simulator.identify.logs import known_log


def test_rate_leaves_gaps_out() -> None:
    """One pause of a second changes neither period nor jitter."""
    t_s = np.concatenate((np.arange(50) * 0.02, 2.0 + np.arange(50) * 0.02))
    assert rate_of(t_s).period_s == pytest.approx(0.02)
    assert rate_of(t_s).jitter_s == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("step", [0.25, 2.0, 7.3])
def test_resolution_is_the_common_step(step: float) -> None:
    """Also where the smallest difference seen is two and three steps."""
    whole = np.array([0.0, 2.0, 5.0, 9.0, 11.0, 14.0, 20.0, 23.0, 9.0, 5.0, 31.0])
    assert resolution_of(step * whole) == pytest.approx(step)


def test_fine_reading_has_no_resolution() -> None:
    """Of readings that are all different none is found."""
    assert resolution_of(np.random.default_rng(1).uniform(0.0, 100.0, 400)) < 1e-3


@pytest.mark.parametrize("refresh_s", [0.05, 0.13, 0.2])
def test_held_reading_tells_its_period(refresh_s: float) -> None:
    """To a hundredth of it, at 100 rows a second."""
    log = known_log(3, refresh_s=refresh_s)
    reading = log.column("delivered_ml_min")
    assert refresh_of(log.t_s, reading, reading > 50.0) == pytest.approx(refresh_s, rel=0.01)


@pytest.mark.parametrize("step", [0.0, 2.0])
def test_living_reading_is_not_held(step: float) -> None:
    """New in every row, coarse or fine."""
    log = known_log(3, step_ml_min=step)
    reading = log.column("delivered_ml_min")
    assert refresh_of(log.t_s, reading, reading > 50.0) == 0.0
