"""``flowdebt compare`` from the command line."""

import json
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from tests.kit.dyno_runs import RIG_TEXT, Drawn

SPRAYED = Drawn(torque_nm=312.0, flow_ml_min=250.0)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a rig, three dry logs, and three with spray in a folder of their own."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "car.toml").write_text(RIG_TEXT)
    (tmp_path / "wet").mkdir()
    for i in range(3):
        Drawn().write(tmp_path / f"dry{i}.csv", i)
        SPRAYED.write(tmp_path / "wet" / f"wet{i}.csv", 10 + i)
    return tmp_path


DRY = ("--dry", "dry0.csv", "dry1.csv", "dry2.csv")
PAIR = (*DRY, "--spray", "wet", "--rig", "car.toml")


def test_a_tuner_compares_dry_runs_with_sprayed_ones(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Logs and a folder of them; a picture besides."""
    assert flowdebt(["compare", *PAIR, "--plot", "gain.png", "--correct", "j1349"]) == 0
    out, err = capsys.readouterr()
    assert err == "wrote gain.png\n"
    assert out.startswith("Small: 3 dry against 3 spray, gear 3")
    assert (folder / "gain.png").is_file()


def test_json_is_one_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of the whole comparison."""
    assert flowdebt(["compare", *PAIR, "--json", "--between", "3500..5500"]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    assert json.loads(line)["mean_power"]["between_rpm"] == [3500.0, 5500.0]


def test_reports_of_each_kind(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A page, Markdown, a row each engine speed, and what --json says; a name is never reused."""
    names = [f"gain{ending}" for ending in (".html", ".md", ".csv", ".json")]
    asked = [word for name in names for word in ("--report", name)]
    assert flowdebt(["compare", *PAIR, *asked, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    page, markdown, rows, facts = ((folder / name).read_text("utf-8") for name in names)
    assert json.loads(facts) == told
    assert len(rows.splitlines()) == 1 + len(told["engine_speed_rpm"])
    for text in (page, markdown):
        assert "Small: 3 dry against 3 spray, gear 3" in text
    assert flowdebt(["compare", *PAIR, "--report", "gain.md"]) == 2
    assert "gain.md: found a file, expected none" in capsys.readouterr().err


def test_weather_of_each_group_may_be_stated(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One for both, or one for each: of another day."""
    lacking = ("ambient_c", "barometer_kpa", "humidity_pct")
    Drawn(left_out=lacking).write(folder / "a.csv", 1)
    SPRAYED.write(folder / "b.csv", 2)
    given = ("--ambient", "59 degF", "24 degC", "--barometer", "29.2 inHg", "--humidity", "40 %")
    pair = ("--before", "a.csv", "--after", "b.csv", "--rig", "car.toml")
    assert flowdebt(["compare", *pair, *given, "--correct", "iso1585", "--json"]) == 0
    before, after = json.loads(capsys.readouterr().out)["groups"]
    assert before["runs"][0]["ambient_c"] == pytest.approx(15.0)
    assert before["runs"][0]["barometer_kpa"] == pytest.approx(98.883, abs=0.01)
    assert after["runs"][0]["ambient_c"] == 20.0  # as logged


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (DRY, "compare: found no --spray, expected logs of such runs"),
        ((), "compare: found no --dry, expected logs of such runs"),
        ((*PAIR, "--after", "wet"), "compare: found both pairs, expected --dry and --spray or"),
        ((*DRY, "--spray", "wet"), "compare: found no --rig, expected a rig file or shipped rig"),
        ((*PAIR, "dry1.csv"), "compare: found"),
        (("--dry", "wet", *PAIR[4:]), "in both groups, expected it in one"),
        (
            (*PAIR, "--between", "5500..3500"),
            '--between: found "5500..3500", expected two engine speeds, such as 3000..6500',
        ),
        ((*PAIR, "--between", "a..b"), "--between: found"),
        ((*PAIR, "--smooth", "9 s"), '--smooth: found "9 s", expected 0.1 to 5 s'),
        ((*PAIR, "--ambient", "20 psi"), '--ambient: found "20 psi" (a pressure unit)'),
        ((*PAIR, "--humidity", "1 %", "2 %", "3 %"), "--humidity: found 3, expected one, or one"),
        ((*PAIR, "--plot", "gain.pdf"), "gain.pdf: found"),
        ((*PAIR, "--report", "gain.pdf"), "gain.pdf: found .pdf, expected .html or .md"),
        ((*PAIR, "--report", "a.md", "--report", "a.md"), "--report: found a.md twice"),
        ((*PAIR, "--correct", "din"), "expected"),
        ((*PAIR[:-1], "nothing.toml"), "nothing.toml: found"),
        (("--dry", "car.toml", *PAIR[4:]), "car.toml:1: found"),
    ],
)
def test_what_cannot_be_used_is_one_clear_line(
    folder: Path, arguments: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, and nothing on standard output."""
    assert folder.is_dir()
    assert flowdebt(["compare", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert says in err
