"""One log, read once, into few numbers."""

from pathlib import Path

import numpy as np
import pytest

from monitor.trend.reading import Reader
from rules.facts import Action
from simulator.trend.sessions import Session, band_edges_kpa
from tests.kit.seasons import SEASON_RIG, log_text

EDGES = band_edges_kpa(SEASON_RIG.rig)
READER = Reader(SEASON_RIG, EDGES)


def session_of(folder: Path, **of: float) -> tuple[Session, Action]:
    """Return what a short log comes to, and the worst that a guard does in it."""
    path = folder / "log.csv"
    path.write_text(log_text(np.random.default_rng(3), **of), encoding="utf-8")
    read = READER.read(path)
    assert read.refused == ""
    assert read.session is not None
    return read.session, read.worst


@pytest.mark.parametrize("flow", [1.0, 0.95])
@pytest.mark.parametrize("line", [1.0, 0.9, 1.08])
def test_shares_are_those_that_were_put_in(tmp_path: Path, flow: float, line: float) -> None:
    """Of flow and pressure alike, though a guard learns of either what it takes for the car's."""
    found, worst = session_of(tmp_path, flow=flow, line=line, supply_v=12.8)
    shares = [one for one in found.flow if one is not None]
    pressures = [one for one in found.line if one is not None]
    assert len(found.flow) == len(EDGES) - 1
    assert shares
    assert pressures
    for one in shares:
        assert one.value == pytest.approx(flow, abs=0.006)
        assert one.error < 0.004
    for one in pressures:
        assert one.value == pytest.approx(line, abs=0.01)
    assert found.supply_v is not None
    assert found.supply_v.value == pytest.approx(12.8, abs=0.01)
    assert found.sprayed_s == pytest.approx(17.4, abs=1.5)
    assert worst is Action.NO_ACTION


def test_delay_and_lag_are_told(tmp_path: Path) -> None:
    """A valve that opens 30 ms later makes the flow so much later."""
    usual, _ = session_of(tmp_path)
    late, _ = session_of(tmp_path, late_s=0.03)
    sensor = SEASON_RIG.rig.flow_sensor
    assert usual.delay_s == pytest.approx(sensor.delay_s, abs=0.006)
    assert usual.lag_s == pytest.approx(sensor.lag_s, abs=0.01)
    assert late.delay_s == pytest.approx(sensor.delay_s + 0.03, abs=0.006)


def test_a_guard_that_acts_is_noted(tmp_path: Path) -> None:
    """The session counts all the same."""
    found, worst = session_of(tmp_path, flow=0.7)
    assert worst >= Action.PULL_TIMING
    told = next(one for one in found.flow if one is not None)
    assert told.value == pytest.approx(0.7, abs=0.01)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "expected"),
        ("time_s,boost_kpa\n0,1\n1,2\n", "delivered_ml_min"),
        ("time_s,boost_kpa,delivered_ml_min,line_kpa,supply_v\n0,5,0,0,13\n1,5,0,0,13\n", "spray"),
    ],
)
def test_a_log_that_tells_nothing_says_why(tmp_path: Path, text: str, why: str) -> None:
    """In one line, and it holds up no other."""
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    read = READER.read(path)
    assert read.session is None
    assert "log.csv" in read.refused
    assert why in read.refused
    assert len(read.refused.splitlines()) == 1


def test_channels_that_are_not_there_tell_nothing(tmp_path: Path) -> None:
    """No line pressure and no supply: flow, delay and lag are told."""
    text = log_text(np.random.default_rng(3))
    rows = [line.split(",")[:3] + ["", ""] * (i > 0) for i, line in enumerate(text.splitlines())]
    header = "time_s,boost_kpa,delivered_ml_min,line_kpa,supply_v"
    path = tmp_path / "log.csv"
    path.write_text("\n".join([header, *map(",".join, rows[1:])]) + "\n", encoding="utf-8")
    found = READER.read(path).session
    assert found is not None
    assert any(found.flow)
    assert not any(found.line)
    assert found.supply_v is None
    assert found.delay_s is not None
