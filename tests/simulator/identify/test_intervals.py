"""How far an interval reaches: as far as pulls differ that are late each by its own time."""

from typing import Any

import numpy as np

from simulator.identify import Estimate, Series, identify
from tests.kit.known_cars import KnownCar, log_of
from tests.kit.rigs import rig

PULLS = 10
BEGINS_MS = 2000 + 6000 * np.arange(PULLS)


def switched(late_ms: Any) -> Any:
    """Return a command, on for three seconds a pull, each pull so late, at every millisecond."""
    asked = np.zeros(BEGINS_MS[-1] + 6000)
    for begin in BEGINS_MS + late_ms:
        asked[begin : begin + 3000] = 400.0
    return asked


def told(late_ms: Any) -> Estimate:
    """Return the delay that is told where each pull's spray is so late."""
    log = log_of(np.random.default_rng(1), KnownCar(), switched(late_ms))
    columns = dict(log.columns)
    asked = switched(np.zeros(PULLS, int))
    columns["commanded_ml_min"] = np.interp(log.t_s, 1e-3 * np.arange(len(asked)), asked)
    log = Series(log.t_s, columns)
    return identify([log], rig()).numbers["flow_sensor.transport_delay"]


def half_s(one: Estimate) -> float:
    """Return how far its interval reaches."""
    assert one.low is not None
    assert one.high is not None
    return 0.5 * (one.high - one.low)


def test_a_delay_reaches_as_far_as_pulls_differ() -> None:
    """Their mean's error, times Student's 1.83 of ten; half of that where none is late."""
    late_ms = np.random.default_rng(2).integers(-12, 13, PULLS)
    expected_s = 1.83e-3 * float(late_ms.std(ddof=1)) / PULLS**0.5
    assert half_s(told(late_ms)) > 0.8 * expected_s
    assert half_s(told(np.zeros(PULLS, int))) < 0.6 * expected_s
