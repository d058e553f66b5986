"""A lesson file is written from a scenario or a log's moment, and never over another."""

from pathlib import Path

import pytest

from monitor.drill.authoring import write_lesson
from rules.channels import Sample
from simulator.drill.lesson import load_lesson
from simulator.logfile import mapped, write_csv
from simulator.plant import Fault, FaultKind
from simulator.rig import find_rig, load_rig
from simulator.strict import BadInput
from tests.kit.plant_logs import drive

RIG = load_rig(find_rig("brindle")).rig


def test_a_scenario_becomes_a_lesson(tmp_path: Path) -> None:
    """What is written can be read; its rig is named as it ships."""
    told = write_lesson("clogged_nozzle", tmp_path / "hill.toml")
    lesson = load_lesson(tmp_path / "hill.toml")
    assert [case.call for case in lesson.cases] == ["clog", "nothing_wrong"]
    assert 'rig = "brindle"' in (tmp_path / "hill.toml").read_text(encoding="utf-8")
    assert told == [
        f"wrote {tmp_path / 'hill.toml'}: 24 s of driving, 2 cases; title, brief and debrief are "
        "yours to write"
    ]


def test_a_name_that_tells_is_told_of(tmp_path: Path) -> None:
    """Trainees see the lesson's name."""
    told = write_lesson("clogged_nozzle", tmp_path / "my_clogged_one.toml")
    assert "its name says what is wrong" in told[1]


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the log of four pulls, in the second of which the pump stops, at 15 s."""
    path = tmp_path_factory.mktemp("logs") / "drive.csv"
    rows = drive(RIG, 2, Fault(FaultKind.PUMP_STOP, 15.0))
    write_csv((Sample(*row) for row in rows.tolist()), path, mapped(RIG))
    return path


def test_a_moment_of_a_log_becomes_a_lesson(log: Path, tmp_path: Path) -> None:
    """The likeliest cause there is the case, at its time in the stretch about the moment."""
    write_lesson(f"{log}@15", tmp_path / "hill.toml", "brindle")
    lesson = load_lesson(tmp_path / "hill.toml")
    assert [case.call for case in lesson.cases] == ["pump", "nothing_wrong"]
    assert lesson.cases[0].faults[0].at_s == 15.0
    text = (tmp_path / "hill.toml").read_text(encoding="utf-8")
    assert "drawn up from drive.csv at 15 s" in text


def test_what_cannot_be_written_is_told(log: Path, tmp_path: Path) -> None:
    """Another ending, a file that is there, a time that the log hasn't, no log, no scenario."""
    there = tmp_path / "there.toml"
    there.write_text("", encoding="utf-8")
    for source, to, words in (
        ("air", tmp_path / "a.txt", "expected .toml"),
        ("air", there, "nothing is overwritten"),
        ("nothing_like_it", tmp_path / "a.toml", "found scenario"),
        (str(log), tmp_path / "a.toml", "expected LOG@SECONDS, such as"),
        (f"{log}@0:15", tmp_path / "a.toml", "expected LOG@SECONDS, such as"),
        (f"{log}@999", tmp_path / "a.toml", "found no row at 999 s, expected a time from 0.0 s to"),
        (f"{log}@15", tmp_path / "a.toml", "rig"),
        (f"{tmp_path}/none.csv@5", tmp_path / "a.toml", "none.csv"),
    ):
        rig = "brindle" if words != "rig" else None
        with pytest.raises(BadInput, match=words):
            write_lesson(source, to, rig)
    assert not (tmp_path / "a.toml").exists()
