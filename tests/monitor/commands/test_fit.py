"""``flowdebt fit``: a healthy log, and a rig wrong about its car, make one that is right."""

import json
import re
import shutil
import tomllib
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from rules.channels import DELIVERED, Sample
from simulator.logfile import mapped, write_csv
from simulator.plant import Scenario, run
from simulator.rig import find_rig, load_rig, rig_from_text, shipped_rigs
from simulator.scenario import load_scenario
from tests.kit.drives import Driven
from tests.kit.recordings import record

BRINDLE = load_rig(find_rig("brindle"))
# A user's own rig: a delay that is far off, and remarks of all kinds.
OWN = BRINDLE.text.replace(
    'transport_delay = "80 ms"\n', 'transport_delay = "0.2 s" # a guess of mine\n'
).replace("[command]\n", "# Set by hand last May.\n[command]  # in the grey box\n")
SAMPLES = Driven("healthy_pulls", 1)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a healthy log, a rig that is wrong about its car, and what fit made of both."""
    folder = tmp_path_factory.mktemp("fit")
    write_csv(SAMPLES, folder / "drive.csv", mapped(BRINDLE.rig))
    (folder / "own.toml").write_text(OWN, encoding="utf-8")
    arguments = ["--rig", str(folder / "own.toml"), "--to", str(folder / "new.toml")]
    plot = ["--plot", str(folder / "fit.svg"), "--runs", "1"]
    assert flowdebt(["fit", str(folder / "drive.csv"), *arguments, *plot]) == 0
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that, as the current folder."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Return the one line that ``fit`` ends with, on standard error."""
    capsys.readouterr()
    assert flowdebt(["fit", *arguments]) == 2
    *_, line = capsys.readouterr().err.splitlines()
    assert line.startswith("flowdebt: ")
    return line


def test_new_rig_has_the_cars_numbers_and_where_they_come_from(made: Path) -> None:
    """Delay, lag and noise change, behind the user's remarks; all else stays to the letter."""
    new = (made / "new.toml").read_text(encoding="utf-8")
    sensor = rig_from_text(new, "new.toml").rig.flow_sensor
    assert 0.07 < sensor.delay_s < 0.1  # the plant's seed makes a car of its own
    assert 0.08 < sensor.lag_s < 0.16
    own, now = OWN.splitlines(), new.splitlines()
    differing = [(a, b) for a, b in zip(own, now, strict=False) if a != b]
    assert now[len(own) : len(own) + 2] == ["", "[line_sensor]"]  # brindle says nothing of it
    (delay,) = (b for a, b in differing if a.startswith("transport_delay = "))
    assert re.fullmatch(
        r'transport_delay = "8\d[.\d]* ms"  # a guess of mine; fit \d{4}-\d\d-\d\d of drive\.csv '
        r"sha256 [0-9a-f]{12}: \d\d[.\d]* to \d\d[.\d]* ms \(90 %\), from 8 pulls, .*",
        delay,
    )
    for before, after in differing:
        assert after.startswith(before.partition(" = ")[0])
        assert " of drive.csv sha256 " in after
    assert "[command]  # in the grey box" in now
    assert (made / "own.toml").read_text(encoding="utf-8") == OWN


def test_new_rig_judges_its_log_in_peace(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Check takes it and says what decides its limits; review finds neither fault nor mistake."""
    capsys.readouterr()
    assert flowdebt(["check", "new.toml"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert (
        "the limit for timing is decided by the 100 h of spraying wanted between false pulls"
        in told
    )
    assert "the limit for boost is decided by [debt] cut" in told
    assert flowdebt(["review", "drive.csv", "--rig", "new.toml"]) == 0
    told = capsys.readouterr().out
    assert "no action throughout" in told
    assert "suspect the rig" not in told
    assert (folder / "fit.svg").read_bytes().startswith(b"<?xml")


def test_fit_tells_numbers_and_what_they_buy(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What the rig says, what the log says and how sure; seconds and false pulls, with a bound."""
    capsys.readouterr()
    before = sorted(folder.iterdir())
    dry = ["--to", "dry.toml", "--plot", "dry.png", "--dry-run", "--runs", "1"]
    assert flowdebt(["fit", "drive.csv", "--rig", "own.toml", *dry]) == 0
    told = capsys.readouterr().out
    assert "8 of 8 pulls used" in told
    assert re.search(r"transport_delay +0\.2 s +8\d\.\d ms +\d\d\.\d to \d\d\.\d ms +8 pulls", told)
    assert re.search(r"timing is pulled within 0\.\d\d s \(before: 0\.\d\d s\)", told)
    assert re.search(r"in these logs: 0 in 0\.0\d+ h of spraying, so at most \d+ in 100 h", told)
    assert "false pulls of a simulated car of the new rig: 0 in " in told
    assert told.endswith("nothing is written\n")
    assert sorted(folder.iterdir()) == before


def test_fit_as_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line: each number with its interval, or why not; where no run is wanted, none is told."""
    capsys.readouterr()
    given = ["drive.csv", "--rig", "own.toml", "--json", "--runs", "0"]
    assert flowdebt(["fit", *given]) == 0
    facts = json.loads(capsys.readouterr().out)
    by_key = {number["key"]: number for number in facts["numbers"]}
    delay = by_key["flow_sensor.transport_delay"]
    assert delay["low"] < delay["value"] < delay["high"]
    assert (facts["pulls"], facts["pulls_left_out"], facts["refused"]) == (8, 0, None)
    assert facts["false_pulls"]["logs_after"]["count"] == 0
    assert facts["false_pulls"]["simulated"]["at_most_per_100_h"] is None
    assert (
        facts["pump_stop_s"]["after"]["pull_timing"] < facts["pump_stop_s"]["before"]["pull_timing"]
    )


def test_second_fit_says_its_origin_in_place_of_the_first(folder: Path) -> None:
    """Fitting a fitted rig to the same log changes next to nothing, and piles up no remarks."""
    given = ["drive.csv", "--rig", "new.toml", "--to", "again.toml", "--runs", "0"]
    assert flowdebt(["fit", *given]) == 0
    again = (folder / "again.toml").read_text(encoding="utf-8")
    assert all(line.count("; fit ") + line.count("# fit ") <= 1 for line in again.splitlines())
    sensors = [load_rig(folder / name).rig.flow_sensor for name in ("new.toml", "again.toml")]
    assert sensors[0].delay_s == pytest.approx(sensors[1].delay_s, abs=0.005)


def test_nothing_is_overwritten(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither a rig nor a picture, and that is told before anything is read."""
    for option, name in (("--to", "own.toml"), ("--plot", "fit.svg")):
        before = (folder / name).read_bytes()
        assert name in refused(capsys, "absent.csv", "--rig", "own.toml", option, name)
        assert (folder / name).read_bytes() == before


def test_unhealthy_log_makes_no_rig(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where a pump fails in half of the pulls there is no rig, and the pulls are told."""
    kept = [
        sample if 8.0 < sample.time_s % 24.0 < 24.0 else _with_flow(sample, 0.3)
        for sample in SAMPLES
    ]
    kept = [s if s.time_s < 30.0 else _with_flow(s, 0.3 * (s.time_s % 1.0 > 0.4)) for s in kept]
    write_csv(kept, folder / "bad.csv", mapped(BRINDLE.rig))
    line = refused(capsys, "bad.csv", "--rig", "own.toml", "--to", "bad.toml")
    assert "no rig is made" in line
    assert not (folder / "bad.toml").exists()


def _with_flow(sample: Sample, share: float) -> Sample:
    row = list(sample)
    row[DELIVERED] *= share
    return Sample._make(row)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "found no LOG"),
        (("drive.csv",), "--rig"),
        (("drive.csv", "--rig", "absent.toml"), "absent"),
        (("drive.csv", "--rig", "own.toml", "--to", "new.txt"), "expected .toml"),
        (("drive.csv", "--rig", "own.toml", "--plot", "fit.jpg"), "expected .svg or .png"),
        (("drive.csv", "--rig", "own.toml", "--runs", "-1"), "--runs"),
        (("idle.csv", "--rig", "own.toml"), "no rig is made"),
    ],
)
def test_what_cant_be_fitted_is_told_in_one_line(
    arguments: tuple[str, ...], told: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line, exit 2."""
    write_csv(SAMPLES[:800], folder / "idle.csv", mapped(BRINDLE.rig))
    assert told in refused(capsys, *arguments)


def test_session_of_a_car_in_us_units(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A session is fitted to the rig that it was recorded with."""
    monkeypatch.chdir(tmp_path)
    rig_file = load_rig(shipped_rigs()["tarnwick"])
    drive = load_scenario("healthy_pulls").drive[:16]
    samples = run(Scenario("drive", "Nothing.", rig_file.rig, drive), 4)
    session = record(tmp_path, [*samples], rig_file)
    assert flowdebt(["fit", str(session), "--to", "new.toml", "--runs", "0"]) == 0
    new = (tmp_path / "new.toml").read_text(encoding="utf-8")
    before, after = (tomllib.loads(text)["flow_sensor"] for text in (rig_file.text, new))
    assert before.keys() <= after.keys()
    assert any(before[key] != after[key] for key in before)
    assert f" of {session.name} sha256 " in new
    assert load_rig(tmp_path / "new.toml").rig.paid == rig_file.rig.paid


def test_a_car_without_a_flow_sensor_is_fitted_by_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Gain, noise and what they buy; the picture is of the pressure; its log is judged in peace."""
    monkeypatch.chdir(tmp_path)
    rig_file = load_rig(find_rig("orrinby"))
    drive = load_scenario("healthy_pulls").drive[:20]
    samples = run(Scenario("drive", "Nothing.", rig_file.rig, drive), 4)
    write_csv(samples, tmp_path / "drive.csv", mapped(rig_file.rig))
    given = ["drive.csv", "--rig", "orrinby", "--runs", "0"]
    assert flowdebt(["fit", *given, "--to", "new.toml", "--plot", "fit.svg"]) == 0
    told = capsys.readouterr().out
    assert re.search(r"line_sensor\.gain_within +10 % +[4-8]\.?\d* % ", told)
    assert "line_sensor.lag: not put in: only lowered" in told
    assert re.search(r"timing is pulled within 0\.1\d s \(before: 0\.1\d s\)", told)
    before, after = (one.rig.line_sensor for one in (rig_file, load_rig(tmp_path / "new.toml")))
    assert after.gain_within < before.gain_within
    assert after.noise < before.noise
    assert after.lag_s == before.lag_s
    assert "line pressure as read" in (tmp_path / "fit.svg").read_text(encoding="utf-8")
    assert flowdebt(["review", "drive.csv", "--rig", "new.toml", "--fail-on", "warn"]) == 0
