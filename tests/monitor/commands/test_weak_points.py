"""Rigs that are right in themselves and protect little: check says so, and says when in time."""

import json
import re
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from simulator.rig import shipped_rigs

BRINDLE = shipped_rigs()["brindle"].read_text(encoding="utf-8")
LATE = ('tolerant = "0.6 s"', 'tolerant = "0.2 s"')
ROWS = ('period = "10 ms"', "period = ")
WEAK = {
    "allows much": (('gain_within = "8 %"', 'gain_within = "24 %"'), "a quarter of the spray be"),
    "no time": (('tolerant = "0.6 s"', 'tolerant = "50 ms"'), "over before the reaction is, 0.06"),
    "little time": (LATE, "0.2 s is too short: at 170 kPa a stopped pump takes up to 0."),
    "low limit": (('above = "190 kPa"', 'above = "160 kPa"'), "tuned for, 170 kPa"),
    "too much paid": (('"6 deg"]', '"12 deg"]'), "[paid] timing 12.0 deg at 170 kPa is more than"),
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


def test_a_clog_and_a_sensor_that_freezes_are_told_apart_from_a_weak_pump(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Where line pressure must tell; elsewhere a clog is as good as a weak pump."""
    assert flowdebt(["check", "orrinby"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "pump stops 50 % weak pump 25 % weak pump" in said
    assert "75 % by a clog 50 % by a clog 33 % by a clog" in said
    assert (
        "the line pressure, frozen under spray, is acted on as lost in 1.37 s of 0.60 s tolerated: "
        "TOO LATE for spray that fails meanwhile" in said
    )
    assert flowdebt(["check", "orrinby", "--json"]) == 0
    row = json.loads(capsys.readouterr().out)["rows"][-1]
    assert row["clog_handled_s"]["50"]["pull_timing"] > 1.0 > row["handled_s"]["25"]["pull_timing"]
    assert row["clog_handled_s"]["33"]["pull_timing"] is None
    assert flowdebt(["check", "wexmoor"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "pump stops 50 % missing 25 % missing" in said
    assert "by a clog" not in said
    assert "the delivered flow, frozen under spray, is acted on as lost in 0.86 s of 1.00" in said
    assert "[flow_sensor] says nothing of these, so defaults hold: gain_within 8 %" in said


@pytest.mark.parametrize(("volume", "idle"), [("90 mL", True), ("1 mL", False)])
def test_a_volume_that_never_cuts_is_told(
    volume: str, idle: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where as many seconds of full flow as are stated come to less."""
    assert BRINDLE.count("[debt]\n") == 1
    text = BRINDLE.replace("[debt]\n", f'[debt]\ncut_volume = "{volume}"\n')
    said, _ = check(text, tmp_path, capsys)
    assert ("cut_volume 90 mL has no effect: cut, in seconds, is less" in said) == idle


def test_an_onset_near_full_throttle_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where nothing boosts, what cutting boost means is said, and how near the onset may come."""
    quarrick = shipped_rigs()["quarrick"].read_text(encoding="utf-8")
    said, warnings = check(quarrick, tmp_path, capsys)
    assert "nothing boosts: boost is the manifold's pressure below the air outside" in said
    assert warnings == []
    near = quarrick.replace('"-25 kPa"', '"-16 kPa"')
    said, warnings = check(near, tmp_path, capsys)
    assert "[command] start_boost -16 kPa is less than 10 kPa below full throttle" in warnings[0]
    said, _ = check(BRINDLE, tmp_path, capsys)
    assert "nothing boosts" not in said


@pytest.mark.parametrize(
    ("period", "expected"),
    [
        ("600 ms", "time.period: found 600 ms, expected at most "),
        (
            "0.2 s",
            "expected less than 200 ms: else each value of boost_kpa is older than its max_age",
        ),
    ],
)
def test_rows_too_far_apart_to_judge_are_refused(
    period: str, expected: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What can't be judged is no rig: one line names the key and says why, exit code 2."""
    path = tmp_path / "rig.toml"
    text = BRINDLE.replace(ROWS[0], f'{ROWS[1]}"{period}"')
    if period == "600 ms":  # farther apart than values may be old, by default
        text = text.replace('max_age = "0.2 s"', 'max_age = "2 s"')
    path.write_text(text, encoding="utf-8")
    assert flowdebt(["check", str(path)]) == 2
    said = capsys.readouterr()
    assert expected in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""


@pytest.mark.parametrize("rig", shipped_rigs())
def test_shipped_rigs_have_no_weak_point(rig: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What we give as an example protects, at 20 rows a second too, and never overdraws."""
    assert flowdebt(["check", rig, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["warnings"] == []
    assert facts["pump_stop"]["in_time"]
    assert facts["slowest_period_s"] > 0.05
    assert all(one["claimed_deg"] <= one["bought_deg"] for one in facts["paid"])


def test_a_sensor_quicker_than_the_simulated_cars_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No simulated car reads sooner than valve and flow meter let it; the rig is good."""
    slower = "flow reading is slower than [flow_sensor] says: valve and flow meter alone show 33 ms"
    quick = ('transport_delay = "80 ms"', 'transport_delay = "20 ms"')
    within = ('transport_delay_within = "40 ms"', 'transport_delay_within = "10 ms"')
    said, warnings = check(BRINDLE.replace(*quick).replace(*within), tmp_path, capsys)
    assert slower in said
    assert warnings == []
    assert slower not in check(BRINDLE, tmp_path, capsys)[0]


def test_a_stopped_pump_is_compared_with_the_time_there_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At full boost: how long it takes to handle, and whether that is in time."""
    said, _ = check(BRINDLE, tmp_path, capsys)
    assert "s of 0.6 s tolerated: in time" in said
    assert "s of 0.2 s tolerated: TOO LATE" in check(BRINDLE.replace(*LATE), tmp_path, capsys)[0]


def test_what_the_rig_says_of_pump_and_rows_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A longer run-down, rows farther apart and a slower controller each take longer."""

    def takes_s(*changed: tuple[str, str]) -> float:
        text = BRINDLE
        for old, new in changed:
            assert text.count(old) == 1
            text = text.replace(old, new)
        path = tmp_path / "rig.toml"
        path.write_text(text, encoding="utf-8")
        assert flowdebt(["check", str(path), "--json"]) == 0
        taken: float = json.loads(capsys.readouterr().out)["pump_stop"]["handled_s"]
        return taken

    as_it_is = takes_s()
    assert takes_s(('run_down = "160 ms"', 'run_down = "320 ms"')) > as_it_is + 0.05
    assert takes_s((ROWS[0], ROWS[1] + '"50 ms"')) > as_it_is + 0.02
    assert takes_s(('reaction = "60 ms"', 'reaction = "160 ms"')) == pytest.approx(as_it_is + 0.1)


@pytest.mark.parametrize("name", ["brindle", "wexmoor"])
def test_a_car_with_an_intake_temperature_alone_is_told_what_it_can_not_find(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No small part, nothing in the cold; without a dry reading no pull that begins dry."""
    text = shipped_rigs()[name].read_text(encoding="utf-8")
    gone = r"\[(channels\.(delivered_ml_min|line_kpa)|flow_sensor|line_sensor)\]\n(?:[^\n\[].*\n)*"
    text = re.sub(gone, "", text)
    said, warnings = check(text, tmp_path, capsys)
    assert "the rig file is good, but protects little: see the lines with !" in said
    if name == "brindle":
        assert "a stopped pump at 170 kPa may never be handled (0.6 s tolerated): TOO LATE" in said
        assert "at 170 kPa a stopped pump may never be handled, whatever" in warnings[1]
    assert "blind without: boost_kpa, intake_c" in said
    assert "no shortfall of less than half" in warnings[0]
    assert ("nor one that a pull begins with" in warnings[0]) is (name == "brindle")
    assert "not looked for: flow but no cooling (no channel delivered_ml_min)" in said
