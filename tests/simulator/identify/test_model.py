"""The model that is fitted is the guard's own expectation."""

import numpy as np
import pytest

from rules.guard import Guard
from rules.step.state import Decision
from simulator.identify.model import delayed, filled, lagged
from tests.kit.rigs import rig
from tests.simulator.identify.logs import known_log


def test_model_reads_what_the_guard_expects() -> None:
    """At every row, by the rig's delay and lag, to a millionth of full flow."""
    facts = rig(flow_sensor={"delay_s": 0.093, "lag_s": 0.17})
    log = known_log(1, pulls=2)
    decisions = np.ascontiguousarray(Guard(facts).run_rows(log.rows()))
    expected = Decision.named(decisions)["expected_ml_min"]
    asked = delayed(log.t_s, log.column("commanded_ml_min"), log.t_s, 0.093)
    assert lagged(log.t_s, asked, 0.17) == pytest.approx(expected, abs=5e-4)
    assert expected.max() > 300.0


def test_no_lag_follows_at_once() -> None:
    """Without lag nothing of the old value is kept."""
    assert lagged(np.array([0.0, 1.0, 2.0]), np.array([0.0, 4.0, 4.0]), 0.0)[-1] == 4.0


def test_far_rows_are_filled_up() -> None:
    """Every old time is kept, and none lies farther from the next than asked."""
    t_s = np.array([0.0, 0.01, 0.11, 0.111])
    fine_s, at = filled(t_s, 0.02)
    assert fine_s[at] == pytest.approx(t_s)
    assert np.diff(fine_s).max() <= 0.02 + 1e-12
    assert len(fine_s) == 8
