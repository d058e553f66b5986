"""``flowdebt channels``: one log after the other, in words or JSON; what can't be read is told."""

import json
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from tests.kit.odd_logs import ODD_LOGS


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The current folder, with two logs and what is none."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "b.csv").write_bytes(ODD_LOGS[0].content)
    (tmp_path / "logs" / "a.csv").write_bytes(ODD_LOGS[1].content)
    (tmp_path / "logs" / "empty.csv").write_bytes(b"")
    (tmp_path / "logs" / "notes.md").write_text("none", "ascii")
    (tmp_path / "rig.toml").write_text(ODD_LOGS[0].rig_text, "utf-8")
    return tmp_path


@pytest.mark.usefixtures("folder")
def test_a_folder_of_logs(capsys: pytest.CaptureFixture[str]) -> None:
    """Each in its turn; the one that can't be read is told, and holds up no other."""
    assert flowdebt(["channels", "logs"]) == 2
    out, err = capsys.readouterr()
    heads = [line for line in out.splitlines() if "columns, " in line]
    assert [head.partition(":")[0] for head in heads] == ["logs/a.csv", "logs/b.csv"]
    assert heads[0].endswith("4 columns, 240 rows, 0.00 to 11.95 s (20 rows a second)")
    assert err.splitlines() == [
        "flowdebt: logs/empty.csv: found an empty file, expected a header and rows"
    ]


@pytest.mark.usefixtures("folder")
def test_json_and_a_rig(capsys: pytest.CaptureFixture[str]) -> None:
    """A line a log; what the rig maps."""
    assert flowdebt(["channels", "logs/a.csv", "logs/b.csv", "--rig", "rig.toml", "--json"]) == 0
    logs = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [log["source"] for log in logs] == ["a.csv", "b.csv"]
    assert [column["mapped_to"] for column in logs[1]["columns"]] == [
        ["time"],
        ["boost_kpa"],
        ["delivered_ml_min"],
        ["intake_c"],
    ]


@pytest.mark.usefixtures("folder")
def test_units_as_wanted(capsys: pytest.CaptureFixture[str]) -> None:
    """As the log has them, or in those that are asked for."""
    assert flowdebt(["channels", "logs/b.csv", "--rig", "rig.toml", "--units", "us"]) == 0
    assert "86 to 93.2 °F" in capsys.readouterr().out
    assert flowdebt(["channels", "logs/b.csv", "--rig", "rig.toml"]) == 0
    assert "30 to 34 degC" in capsys.readouterr().out


def test_no_log(capsys: pytest.CaptureFixture[str]) -> None:
    """One line."""
    assert flowdebt(["channels"]) == 2
    assert "channels: found no LOG, expected one" in capsys.readouterr().err
