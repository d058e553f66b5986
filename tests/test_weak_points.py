"""Rigs that are right in themselves and protect little: check says so, and says when in time."""

import json
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from monitor.weak_points import handled_s, seconds_to_pull
from simulator.rig import load_rig, shipped_rigs

BRINDLE = shipped_rigs()["brindle"].read_text(encoding="utf-8")
WEAK = {
    "allows everything": (('share = "12 %"', 'share = "95 %"'), "[debt] share 95 % and floor"),
    "no time": (('tolerant = "0.6 s"', 'tolerant = "50 ms"'), "over before the reaction is, 0.06"),
    "little time": (('tolerant = "0.6 s"', 'tolerant = "0.2 s"'), "0.2 s is too short: no spray"),
    "low limit": (('above = "190 kPa"', 'above = "160 kPa"'), "tuned for, 170 kPa"),
}


def check(text: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[str, list[str]]:
    """Return what check says of a rig, on one line, and its warnings in JSON."""
    path = folder / "rig.toml"
    path.write_text(text, encoding="utf-8")
    assert flowdebt(["check", str(path)]) == 0
    said = capsys.readouterr().out
    assert flowdebt(["check", str(path), "--json"]) == 0
    warnings: list[str] = json.loads(capsys.readouterr().out)["warnings"]
    return " ".join(said.split()), warnings


@pytest.mark.parametrize("name", WEAK)
def test_a_rig_that_protects_little_is_told(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The rig is good, so the exit code is 0; but what it does not protect from is said."""
    (old, new), expected = WEAK[name]
    assert BRINDLE.count(old) == 1
    said, warnings = check(BRINDLE.replace(old, new), tmp_path, capsys)
    assert any(expected in warning for warning in warnings), warnings
    assert all(warning in said for warning in warnings)
    assert said.count("! protects little:") == len(warnings)


@pytest.mark.parametrize("rig", shipped_rigs())
def test_shipped_rigs_have_no_weak_point(rig: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What we give as an example protects."""
    assert flowdebt(["check", rig, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["warnings"] == []
    assert all(row["in_time"] for row in facts["rows"] if row["boost_kpa"] > facts["dry_limit_kpa"])


def test_times_by_hand() -> None:
    """Brindle, 200 mL/min: 0.3 mL at (200 - 24 - 10) mL/min, or 0.25 s of next to nothing."""
    rig = load_rig(shipped_rigs()["brindle"]).rig
    by_debt_s = 0.3 / ((200.0 - 0.12 * 200.0 - 10.0) / 60.0)
    assert seconds_to_pull(rig, 200.0, 1.0) == pytest.approx(by_debt_s)
    assert seconds_to_pull(rig, 40.0, 1.0) == 0.25
    assert seconds_to_pull(rig, 200.0, 0.05) == float("inf")
    sensor_s = rig.spray.transport_delay_s + rig.spray.lag_s
    assert handled_s(rig, 200.0) == pytest.approx(sensor_s + by_debt_s + 0.06)


def test_the_table_is_compared_with_the_time_there_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Above the dry limit, each boost: how long without spray, and whether that is in time."""
    said, _ = check(BRINDLE, tmp_path, capsys)
    assert "[fault_intervals] tolerates 0.6 s without spray" in said
    assert "at 170 kPa (in time)" in said
    late = BRINDLE.replace('tolerant = "0.6 s"', 'tolerant = "0.2 s"')
    assert "at 170 kPa (TOO LATE)" in check(late, tmp_path, capsys)[0]
