"""A flow sensor's fit where there is hardly anything to fit."""

import numpy as np

from simulator.identify import Series
from simulator.identify.flow import fit_flow, refitted
from simulator.identify.spraying import spraying
from tests.kit.rigs import rig
from tests.simulator.identify.logs import known_log


def test_a_pump_dead_all_through_a_pull_is_a_gain_of_nought_and_no_warning() -> None:
    """Each part of a log is fitted alone, too; where all reads nought, no number becomes NaN."""
    log = known_log(1, pulls=2)
    dead = Series(log.t_s, {**log.columns, "delivered_ml_min": 0.0 * log.t_s})
    spray = spraying([log, dead], rig())
    fit = fit_flow(spray)
    is_dead = np.array([pull.series == 1 for pull in spray.pulls])
    alone = refitted(fit, spray, is_dead)
    assert 0.0 < alone.gain < 1e-3
    assert 0.0 < alone.lag_s < 2.1
    assert refitted(fit, spray, ~is_dead).gain > 0.9
