"""``flowdebt simulate``: logs with the truth, the report, the twin; the same bits either way."""

import csv
import io
import json
from dataclasses import replace
from math import inf, isnan
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from monitor.cli import run as flowdebt
from monitor.review.review import review
from rules.channels import CHANNEL_BY_NAME, CHANNEL_NAMES
from simulator import compiled_or_not as way
from simulator.logfile import TRUTH_COLUMNS, unit_of
from simulator.plant import Do, Fault, FaultKind, Scenario, Step
from simulator.plant.truth import TRUTH_NAMES
from simulator.rig import find_rig, load_rig
from simulator.runs import Drive
from simulator.scenario import shipped_scenarios

RIG = load_rig(find_rig("brindle")).rig
DRIVE = (Step(Do.CRUISE, 0.5, 3), Step(Do.PULL, 2.7, 3), Step(Do.LIFT, 0.8))
STOP = Fault(FaultKind.PUMP_STOP, 2.2)
TEXT = """
name = "short"
teaches = "A pump that stops early."
rig = "brindle"
[[drive]]
do = "cruise"
for = "0.5 s"
gear = 3
[[drive]]
do = "pull"
for = "2.7 s"
gear = 3
[[drive]]
do = "lift"
for = "0.8 s"
"""
STOPS = TEXT + '[[faults]]\nkind = "pump_stop"\nat = "2.2 s"\n'
NOISE = TEXT + '[[faults]]\nkind = "wire_noise"\nat = "0.2 s"\nmagnitude = "60 %"\n'


def scenario(*faults: Fault) -> Scenario:
    """Return the short drive with these faults."""
    return Scenario("short", "Nothing.", RIG, DRIVE, faults)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A current folder with short scenarios in it."""
    (tmp_path / "stops.toml").write_text(STOPS, encoding="utf-8")
    (tmp_path / "noise.toml").write_text(NOISE, encoding="utf-8")
    (tmp_path / "healthy.toml").write_text(TEXT, encoding="utf-8")
    (tmp_path / "day.toml").write_text(TEXT.replace("2.7 s", "20000 s"), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def whole(drive: Drive, name: str) -> Any:
    """Run a drive to its end; return one of its columns."""
    return np.concatenate([getattr(block, name) for block in drive])


def test_truth_columns_come_after_an_unchanged_log(folder: Path) -> None:
    """With --truth each line is the line without, and the truth's columns behind it."""
    assert flowdebt(["simulate", "stops.toml", "--to", "plain.csv"]) == 0
    assert flowdebt(["simulate", "stops.toml", "--truth", "--to", "truth.csv"]) == 0
    plain = (folder / "plain.csv").read_text(encoding="ascii").splitlines()
    truth = (folder / "truth.csv").read_text(encoding="ascii").splitlines()
    assert truth[0].removeprefix(plain[0] + ",").split(",") == list(TRUTH_COLUMNS)
    assert len(plain) == len(truth) == 401
    assert all(line.startswith(short + ",") for short, line in zip(plain, truth, strict=True))
    last = dict(zip(truth[0].split(","), truth[-1].split(","), strict=True))
    assert last["true_ceiling_kpa"] == "inf"
    assert float(last["true_harm"]) > 0.0


def test_parquet_holds_the_same_numbers_with_units(folder: Path) -> None:
    """Parquet and CSV agree bit for bit; not sent is null, not a number NaN, units are there."""
    for name in ("noise.csv", "noise.parquet"):
        assert flowdebt(["simulate", "noise.toml", "--truth", "--to", name]) == 0
    table = pq.read_table(folder / "noise.parquet")
    rows = list(csv.reader((folder / "noise.csv").read_text(encoding="ascii").splitlines()))
    assert table.column_names == rows[0]
    nothing = not_numbers = 0
    for i, name in enumerate(table.column_names):
        assert table.schema.field(name).metadata == {b"unit": unit_of(name).encode()}
        for text, value in zip([row[i] for row in rows[1:]], table[name].to_pylist(), strict=True):
            nothing += value is None
            not_numbers += value is not None and isnan(value)
            assert (text == "") == (value is None)
            assert value is None or float(text) == value or (isnan(value) and text == "nan")
    assert nothing > 20
    assert not_numbers > 20
    assert table.schema.metadata[b"scenario"] == b"short"
    assert table.schema.metadata[b"seed"] == b"1"


def test_every_column_has_its_unit() -> None:
    """Channels have theirs; the truth's follow from the names' ends, plain numbers have 1."""
    assert all(unit_of(name) == CHANNEL_BY_NAME[name].unit for name in CHANNEL_NAMES)
    units = {name: unit_of(name) for name in TRUTH_NAMES}
    assert units["time_s"] == "s"
    assert units["true_flow_ml_min"] == units["true_due_ml_min"] == "mL/min"
    assert units["true_tank_ml"] == "mL"
    assert units["true_exhaust_c"] == "degC"
    assert units["true_torque_nm"] == "N m"
    assert units["true_retard_deg"] == "deg"
    plain = {name for name, unit in units.items() if unit == "1"}
    assert plain == {
        *("true_missing", "true_knock_intensity", "true_harm", "true_knocks", "true_gear")
    }
    assert units["true_speed_kmh"] == "km/h"


@pytest.mark.parametrize(
    ("kind", "magnitude"),
    [
        (FaultKind.MESSAGES_LOST, 0.5),
        (FaultKind.MESSAGES_LATE, 0.4),
        (FaultKind.MESSAGES_REPEATED, 0.5),
        (FaultKind.MESSAGES_INSERTED, 0.5),
        (FaultKind.MESSAGES_DISORDERED, 0.5),
        (FaultKind.SECOND_SENDER, 1.0),
        (FaultKind.CLOCK_STEP, -0.5),
        (FaultKind.UNPLUGGED, 1.0),
    ],
)
def test_truth_goes_by_time(kind: FaultKind, magnitude: float) -> None:
    """Whatever the wire does to samples, each row has the truth of its own moment."""
    short = replace(scenario(), drive=(Step(Do.PULL, 1.2, 3),))
    healthy = whole(Drive(short, 3, guarded=False, compiled=False), "truths")
    fault = Fault(kind, 0.5, magnitude=magnitude)
    drive = Drive(replace(short, faults=(fault,)), 3, guarded=False, compiled=False)
    (block,) = drive
    assert np.array_equal(block.truths, healthy)  # the car itself is none the wiser
    own_s = block.rows[:, 0]
    if kind is FaultKind.CLOCK_STEP:
        own_s = np.where(block.came_s > 0.505, own_s - 10.0 * magnitude, own_s)
    at = np.searchsorted(healthy[:, 0], own_s + 1e-6, side="right") - 1
    assert np.array_equal(block.row_truths, healthy[np.maximum(at, 0)])
    assert len(block.rows) != len(healthy) or kind in (
        FaultKind.MESSAGES_DISORDERED,
        FaultKind.CLOCK_STEP,
    )


def test_a_cut_log_ends_with_its_last_row() -> None:
    """After the cut there are neither rows nor truths."""
    drive = Drive(scenario(Fault(FaultKind.LOG_CUT, 1.0)), 3, guarded=True, compiled=False)
    (block,) = drive
    assert block.rows[-1, 0] == pytest.approx(1.0, abs=0.02)
    assert block.truths[-1, 0] == pytest.approx(1.0, abs=0.02)
    assert np.isfinite(block.truths[:, 0]).all()


@pytest.mark.parametrize("guarded", [False, True])
def test_compiled_and_interpreted_agree_to_the_last_bit(guarded: bool) -> None:
    """The same rows, ticks, decisions, truths and report, with faults of every part."""
    faults = (
        STOP,
        Fault(FaultKind.SENSOR_NOISE, 0.4, magnitude=0.05, channel="boost_kpa", for_s=0.5),
        Fault(FaultKind.WIRE_NOISE, 0.5, magnitude=0.1, for_s=1.0),
        Fault(FaultKind.MESSAGES_LATE, 1.0, magnitude=0.3, for_s=0.4),
        Fault(FaultKind.CLOCK_STEP, 2.9, magnitude=-0.4),
        Fault(FaultKind.UNPLUGGED, 3.5),
    )
    ways = []
    for compiled in (True, False):
        drive = Drive(scenario(*faults), 7, guarded=guarded, compiled=compiled)
        blocks = list(drive)
        ways.append((blocks, drive.report, drive.spans))
    (first, report, spans), (second, report_2, spans_2) = ways
    assert report == report_2
    assert spans == spans_2
    for one, other in zip(first, second, strict=True):
        for name in ("rows", "sent", "decisions", "came_s", "row_truths", "truths"):
            assert np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True), name
    assert not all(block.sent.all() for block in first)  # silence made ticks


def test_the_report_compares_with_the_healthy_twin(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Harm, cycles, work, peaks and fluid are the plant's; the twin has no fault and no guard."""
    arguments = ["simulate", "stops.toml", "--guarded", "--seed", "4", "--to", "a.csv", "--json"]
    assert flowdebt(arguments) == 0
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert err == "wrote 400 samples to a.csv\n"
    drive = Drive(scenario(STOP), 4, guarded=True, compiled=False)
    list(drive)
    twin = Drive(scenario(), 4, guarded=False, compiled=False)
    list(twin)
    ran, healthy = drive.report, twin.report
    assert told["knock"] == {
        "harm": ran.harm,
        "cycles": ran.knocks,
        "heavy_cycles": ran.heavy_knocks,
        "harm_of_twin": healthy.harm,
    }
    assert told["work"]["kj"] == ran.work_kj
    assert told["work"]["lost_kj"] == healthy.work_kj - ran.work_kj
    assert told["work"]["lost_kj"] > 0.0
    assert told["peaks"]["intake_c"] == ran.peak_charge_c
    assert told["fluid_used_ml"] == ran.used_ml
    assert told["faults"][0] == {
        "kind": "pump_stop",
        "channel": None,
        "begins_s": pytest.approx(2.2, abs=0.001),
        "ends_s": 4.0,
    }
    levels = [action["action"] for action in told["actions"]]
    assert levels == [name for name in ("warn", "pull_timing", "cut_boost") if name in levels]
    assert all(2.2 < action["at_s"] < 3.2 for action in told["actions"])
    assert len(levels) >= 2


def test_timing_that_the_spray_cannot_buy_is_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A rig that claims twice the timing is told so, in words and JSON; as it ships it is not."""
    text = find_rig("brindle").read_text(encoding="utf-8")
    assert text.count('"6 deg"]') == 1
    (folder / "much.toml").write_text(text.replace('"6 deg"]', '"12 deg"]'), encoding="utf-8")
    much = TEXT.replace('rig = "brindle"', 'rig = "much.toml"')
    (folder / "much_paid.toml").write_text(much, encoding="utf-8")
    assert flowdebt(["simulate", "much_paid.toml", "--to", "a.csv", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["timing_claimed_beyond_spray"]
    assert (told["boost_kpa"], told["claimed_deg"]) == (170.0, 12.0)
    assert 6.0 < told["bought_deg"] < 9.0
    assert flowdebt(["simulate", "much_paid.toml", "--to", "b.csv"]) == 0
    said = " ".join(capsys.readouterr().err.split())
    assert "tune [paid] timing 12.0 deg at 170 kPa is more than this spray buys" in said
    assert flowdebt(["simulate", "healthy.toml", "--to", "c.csv"]) == 0
    assert "tune" not in capsys.readouterr().err


def test_the_words_say_what_the_json_says(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The report in words goes to standard error, in 80 columns, with the same figures."""
    assert flowdebt(["simulate", "stops.toml"]) == 0
    out, err = capsys.readouterr()
    assert len(list(csv.reader(io.StringIO(out)))) == 401
    assert flowdebt(["simulate", "stops.toml", "--to", "b.csv", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert all(len(line) <= 80 for line in err.splitlines())
    assert f"harm {told['knock']['harm']:.1f}, {told['knock']['cycles']} knocking cycles" in err
    assert f"{told['work']['kj']:.0f} kJ at the crank" in err
    assert "pump stop from 2.20 s to 4.00 s" in err
    first = told["actions"][0]
    assert f"at {first['at_s']:.2f} s, {first['at_s'] - 2.2:.2f} s after the fault" in err
    assert "watches only" in err


def test_a_watching_guard_says_what_review_says(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without --guarded the report's actions are those that the log itself leads to."""
    assert flowdebt(["simulate", "stops.toml", "--to", "c.csv", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    steps = [
        (step.time_s, step.action)
        for event in review(folder / "c.csv", "brindle").events
        for step in event.steps
    ]
    for action in told["actions"]:
        assert action["at_s"] == min(t for t, name in steps if name == action["action"])


def test_a_healthy_run_is_its_own_twin(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No fault, no guard: nothing lost, nothing to say, and no comparison with itself."""
    assert flowdebt(["simulate", "healthy.toml", "--to", "d.csv"]) == 0
    err = capsys.readouterr().err
    assert "nothing to say" in err
    assert "twin" not in err
    assert flowdebt(["simulate", "healthy.toml", "--to", "g.csv", "--guarded"]) == 0
    assert " kJ at the crank, as much as its healthy twin\n" in capsys.readouterr().err


BAD = {
    "unknown kind of log": ("--to x.xlsx", "x.xlsx: found .xlsx, expected .csv or .parquet"),
    "no kind of log": ("--to x", "x: found no ending, expected .csv or .parquet"),
    "unknown picture": ("--plot x.gif", "x.gif: found .gif, expected .svg or .png"),
    "folder of a picture": ("--plot gone/x.png", "gone/x.png: found no folder gone, expected"),
    "folder of a log": ("--to gone/x.parquet", "gone/x.parquet: found"),
    "json and log at one place": ("--json", "--json: found no --to and no --plot"),
}


@pytest.mark.parametrize("case", BAD, ids=BAD.keys())
def test_what_cannot_be_written_is_one_line(
    case: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found out before the run, said in one line, code 2."""
    arguments, said = BAD[case]
    assert flowdebt(["simulate", "stops.toml", *arguments.split()]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert said in err
    assert not list(folder.glob("x*"))


def test_a_drive_too_long_for_a_picture_is_one_line(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Hours in one picture say nothing, and the run is not begun."""
    assert flowdebt(["simulate", "day.toml", "--plot", "x.png"]) == 2
    assert "--plot: found a drive of 2000130 samples" in capsys.readouterr().err


def test_the_list_fits_a_narrow_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """Each scenario with car, length, faults and what it teaches, in 80 columns."""
    assert flowdebt(["simulate", "--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert all(len(line) <= 80 for line in lines)
    heads = [line for line in lines if not line.startswith(" ")]
    assert [line.split()[0] for line in heads] == list(shipped_scenarios())
    told = " ".join(" ".join(lines).split())
    assert "pump_stop When the pump stops at full boost, knock begins within" in told
    assert "second. (Brindle 1.8, 24 s: pump stop)" in told
    assert "(Brindle 1.8, 119.5 s: no fault)" in told


def test_a_slow_run_says_why(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short and cold: interpreted, silent. Longer: said. Long: compiled first, and said."""
    monkeypatch.setattr(way, "is_on_disk", lambda _: False)
    assert way.choose(30.0) == way.Way(False, "")
    longer = way.choose(100.0)
    assert (longer.compiled, "not compiled" in longer.why_slow) == (False, True)
    long = way.choose(1000.0)
    assert (long.compiled, "compiled first, once" in long.why_slow) == (True, True)
    monkeypatch.setattr(way, "is_on_disk", lambda _: True)
    assert way.choose(240.0) == way.Way(True, "")
    assert way.choose(86400.0).why_slow == "simulating takes about 4 min"


def test_spans_say_when_a_fault_was_active() -> None:
    """From onset for its time; a fault whose conditions never hold never begins."""
    faults = (
        Fault(FaultKind.AIR, 1.0, magnitude=0.2, for_s=0.5),
        Fault(FaultKind.PUMP_STOP, 0.0, above_boost_kpa=900.0),
    )
    drive = Drive(scenario(*faults), 3, guarded=False, compiled=False)
    assert {span.begins_s for span in drive.spans} == {inf}
    list(drive)
    air, stop = drive.spans
    assert air.begins_s == pytest.approx(1.0, abs=0.002)
    assert air.ends_s == pytest.approx(air.begins_s + 0.5)
    assert stop.begins_s == inf
