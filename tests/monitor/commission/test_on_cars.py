"""Rigs drafted from simulated cars' logs, with nothing answered, against what those cars are."""

import csv
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from rules.facts import CommandKind
from simulator.rig import RigFile, load_rig, shipped_rigs

HEADERS = {
    "time_s": "t [s]",
    "engine_speed_rpm": "Eng Spd",
    "boost_kpa": "Boost (kPa)",
    "injector_duty_pct": "IDC %",
    "intake_c": "IAT [C]",
    "commanded_ml_min": "WI target (ml/min)",
    "command_pct": "WI duty %",
    "delivered_ml_min": "WI flow (ml/min)",
    "line_kpa": "WI press kPa g",
}


def drafted(scenario: str, folder: Path) -> tuple[Path, RigFile]:
    """Drive a scenario, rename its columns, draft a rig from it; return the log and the rig."""
    own, log, rig = folder / "own.csv", folder / "odd.csv", folder / "car.toml"
    assert flowdebt(["simulate", scenario, "--to", str(own)]) == 0
    with own.open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file)
    kept = [header.index(name) for name in HEADERS if name in header]
    with log.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(
            [[HEADERS[header[i]] for i in kept], *([row[i] for i in kept] for row in rows)]
        )
    assert flowdebt(["draft", str(log), "--to", str(rig)]) == 0
    return log, load_rig(rig)


@pytest.mark.parametrize(
    ("scenario", "like"),
    [("cold_morning", "wexmoor"), ("gear_shifts", "ullesby"), ("unboosted_drive", "quarrick")],
)
def test_a_healthy_drive_is_judged_healthy_by_the_rig_drafted_from_it(
    scenario: str, like: str, tmp_path: Path
) -> None:
    """No timing pulled, no boost cut; spray begins and is sized as on the car itself."""
    log, made = drafted(scenario, tmp_path)
    assert flowdebt(["review", str(log), "--rig", made.file_name, "--fail-on", "pull_timing"]) == 0
    true = load_rig(shipped_rigs()[like]).rig
    assert made.rig.command.start_boost_kpa == pytest.approx(true.command.start_boost_kpa, abs=14.0)
    assert made.rig.spray.nozzles[0].rated_ml_min == pytest.approx(
        true.spray.nozzles[0].rated_ml_min, rel=0.12
    )


def test_law_line_and_nozzles_are_those_of_the_car(tmp_path: Path) -> None:
    """A command by injector duty, logged in percent, and a line that a regulator holds."""
    _, made = drafted("cold_morning", tmp_path)
    true = load_rig(shipped_rigs()["wexmoor"]).rig
    assert made.rig.command.kind is CommandKind.INJECTOR_DUTY
    assert made.rig.command.start_duty_pct == pytest.approx(true.command.start_duty_pct, abs=1.0)
    assert made.rig.command.full_duty_pct == pytest.approx(true.command.full_duty_pct, abs=2.0)
    assert made.rig.spray.pump.regulated_kpa == pytest.approx(
        true.spray.pump.regulated_kpa, rel=0.03
    )
    assert made.rig.spray.nozzles[0].rated_ml_min == pytest.approx(320.0, rel=0.08)


def test_a_fault_in_the_log_is_told_and_still_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pump that fades: a sentence at drafting, and boost cut by the rig drafted from it."""
    log, made = drafted("pump_fade", tmp_path)
    told = capsys.readouterr().out
    assert '! "WI flow (ml/min)" reads less than 60 % of what it mostly does' in told
    assert flowdebt(["review", str(log), "--rig", made.file_name, "--fail-on", "cut_boost"]) == 1
