"""What two moments differ by: every mapped channel, and not a number where one is unhealthy."""

from math import isnan
from pathlib import Path

import pytest

from monitor.review.decide_log import decide
from monitor.screen.replay.deltas import deltas
from rules.channels import DELIVERED, NOT_SENT
from tests.kit.replay_script import brindled, drive
from tests.kit.replays import log_of


def test_deltas_are_those_of_the_readings(tmp_path: Path) -> None:
    """Every mapped channel, and NaN where it wasn't healthy."""
    rows = drive().copy()
    rows[1000:1100, DELIVERED] = NOT_SENT
    decided = decide(brindled(log_of(rows, tmp_path / "log.parquet")))
    found = {delta.label: delta for delta in deltas(decided, 900, 1090)}
    assert isnan(found["spray delivered"].after)
    assert isnan(found["spray delivered"].change)
    assert found["tank"].change == pytest.approx(-5.0 * 190 / 50)
    assert found["evidence"].before == found["debt, at full flow"].before == 0.0
