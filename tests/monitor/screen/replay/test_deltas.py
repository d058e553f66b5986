"""What two moments differ by: every mapped channel, and not a number where one is unhealthy."""

from dataclasses import replace
from math import isnan
from pathlib import Path

import numpy as np
import pytest

from monitor.review.decide_log import decide
from monitor.review.log import open_log
from monitor.screen.replay.deltas import deltas
from rules.channels import DELIVERED, NOT_SENT
from simulator.plant import run
from simulator.rig import find_rig, load_rig
from simulator.scenario import load_scenario
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


def test_without_a_flow_sensor_no_flow_is_compared(tmp_path: Path) -> None:
    """Beside the line's pressure stands what was due there."""
    line = load_rig(find_rig("orrinby"))
    facts = replace(load_scenario("pump_stop"), rig=line.rig)
    rows = np.array([list(sample) for sample in run(facts, 2)])
    path = log_of(rows, tmp_path / "line.parquet", line)
    decided = decide(open_log(str(path), "orrinby"))
    found = {delta.label: delta for delta in deltas(decided, 700, 1700)}
    assert not {"spray expected", "spray delivered"} & set(found)
    assert found["line pressure due"].before == pytest.approx(
        found["line pressure"].before, rel=0.2
    )
    assert isnan(found["line pressure due"].after)
