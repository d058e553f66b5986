"""What a session learned is found again for the next one of the same car, or why not is said."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from monitor.cli import run as flowdebt
from monitor.guard.process import Order, run_order
from monitor.recorder import layout
from monitor.recorder.restored import Restored, restored_from
from monitor.recorder.summary import read_summary, write_summary
from monitor.review.decide_log import decide
from monitor.review.log import open_log
from monitor.review.review import review
from rules.channels import Sample
from rules.guard import Guard
from rules.learned import Learned
from simulator.logfile import write_csv
from simulator.rig import RigFile, rig_from_text
from simulator.strict import BadInput
from tests.kit.recordings import noted, record
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
LEARNED = Learned(gain=1.03, noise=0.03, noise_lasts_s=0.04, learned_s=120.0)


def drive(for_s: float, reads: float, seed: int) -> list[Sample]:
    """Return a healthy drive: idle, then steady spray that the sensor reads at a share of it."""
    noise, guard, rows = np.random.default_rng(seed), Guard(RIG.rig), []
    for i in range(round(50.0 * for_s)):
        boost_kpa = noise.normal() + (0.0 if i < 50 else 160.0)
        flow_ml_min = guard.decision().expected_ml_min * reads * (1.0 + 0.03 * noise.normal())
        row = Sample(0.02 * i, boost_kpa=boost_kpa, delivered_ml_min=flow_ml_min)
        guard.step(row)
        rows.append(row)
    return rows


def session(folder: Path, name: str, learned: Learned | None, rig_file: RigFile = RIG) -> Path:
    """Record a session that learned this."""
    made = record(folder, [Sample(0.0, boost_kpa=0.0, delivered_ml_min=0.0)], rig_file)
    path = made.rename(folder / name)
    summary = read_summary(path)
    assert summary is not None
    summary.learned = learned
    write_summary(path, summary)
    return path


def changed(old: str, new: str) -> RigFile:
    """Return the rig with one passage changed."""
    assert old in SMALL
    return rig_from_text(SMALL.replace(old, new, 1), "small.toml")


def test_a_session_of_this_car_is_restored_and_says_so(tmp_path: Path) -> None:
    """From the session itself: when it began, how long it learned, and for what that counts."""
    found = restored_from(session(tmp_path, "2026-01-01T00-00-00Z-small", LEARNED), RIG)
    assert found.learned == LEARNED
    assert "restored from 2026-01-01T00-00-00Z-small" in found.words
    assert "flow reads 1.03 of the rig's, noise 3.0 %, learned in 120 s of spraying" in found.words
    assert "counts as no more than 20 s" in found.words
    both = Learned(
        gain=1.0, noise=0.03, learned_s=50.0, line_gain=0.95, line_noise=0.05, line_learned_s=40.0
    )
    words = restored_from(session(tmp_path, "2026-01-02T00-00-00Z-small", both), RIG).words
    assert "line pressure 0.95, noise 5.0 %, in 40 s" in words


def test_of_a_folder_the_newest_of_this_rig_counts_that_learned_enough(tmp_path: Path) -> None:
    """Neither another rig's, nor one that learned nothing, nor what is no session."""
    other = changed('name = "Small"', 'name = "Other"')
    session(tmp_path, "2026-01-01T00-00-00Z-small", Learned(learned_s=11.0))
    session(tmp_path, "2026-01-02T00-00-00Z-small", LEARNED)
    session(tmp_path, "2026-01-03T00-00-00Z-other", Learned(learned_s=99.0), other)
    session(tmp_path, "2026-01-04T00-00-00Z-small", Learned(learned_s=9.0))
    session(tmp_path, "2026-01-05T00-00-00Z-small", None)
    (tmp_path / "notes.txt").write_text("no session")
    assert restored_from(tmp_path, RIG).learned == LEARNED
    assert restored_from(tmp_path, other).learned == Learned(learned_s=99.0)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"315 mL/min"', '"330 mL/min"', "spray.nozzles[0].rated_flow 315 -> 330 mL/min"),
        ('"1400 kPa"', '"1300 kPa"', "spray.pump.shut_off 1400 -> 1300 kPa"),
        (
            "[command]",
            '[flow_sensor]\ntransport_delay = "90 ms"\n[command]',
            "flow_sensor.transport_delay 0.08 -> 0.09 s",
        ),
        ("[command]", '[line_sensor]\ngain_within = "11 %"\n[command]', "line_sensor.gain"),
        ("[channels.delivered_ml_min]", '[channels.delivered_ml_min]\nunit = "L/h"', "unit"),
    ],
)
def test_another_sensor_nozzle_or_pump_and_nothing_is_restored(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    """What differs is said, by its key."""
    session(tmp_path, "2026-01-01T00-00-00Z-small", LEARNED)
    found = restored_from(tmp_path, changed(old, new))
    assert found.learned is None
    assert "nothing restored: the rig has changed since 2026-01-01T00-00-00Z-small: " in found.words
    assert says in found.words


def test_what_sensors_do_not_depend_on_may_change(tmp_path: Path) -> None:
    """The limits, the tank, what spray paid for."""
    session(tmp_path, "2026-01-01T00-00-00Z-small", LEARNED)
    for old, new in (
        ('["0 deg", "6 deg"]', '["0 deg", "5 deg"]'),
        ("methanol_by_volume_pct = 50", 'methanol_by_volume_pct = 50\ntank = "3 L"'),
        ("[channels.delivered_ml_min]", '[channels.delivered_ml_min]\nmax_age = "300 ms"'),
    ):
        assert restored_from(tmp_path, changed(old, new)).learned == LEARNED


def test_why_nothing_is_restored_is_said(tmp_path: Path) -> None:
    """An empty folder, a session that learned too little, one whose summary is damaged."""
    assert restored_from(tmp_path, RIG) == Restored(
        None, f"nothing restored: no session of Small in {tmp_path} that learned enough"
    )
    path = session(tmp_path, "2026-01-01T00-00-00Z-small", Learned(learned_s=3.0))
    few = "nothing restored: 2026-01-01T00-00-00Z-small learned in less than 10 s of spray"
    assert restored_from(path, RIG).words == few
    for raw in (b"", b"\xff", b'{"learned": {"gain": 1e999, "learned_s": 60}}', b'{"learned": 3}'):
        (path / layout.SUMMARY).write_bytes(raw)
        assert restored_from(path, RIG).learned is None


@pytest.mark.parametrize("raw", [b"\xff", b"[engine]\n"])
def test_a_session_without_a_good_rig_is_refused(tmp_path: Path, raw: bytes) -> None:
    """Whether it is the same car can't be told."""
    path = session(tmp_path, "2026-01-01T00-00-00Z-small", LEARNED)
    (path / layout.RIG).write_bytes(raw)
    with pytest.raises(BadInput, match=r"rig\.toml"):
        restored_from(path, RIG)


def test_what_is_no_folder_is_one_clear_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the exit code of bad input, before anything is recorded."""
    monkeypatch.chdir(tmp_path)
    log = tmp_path / "log.csv"
    log.write_text("time_s,boost_kpa,delivered_ml_min\n0,0,0\n")
    (tmp_path / "small.toml").write_text(SMALL)
    arguments = f"watch {log} --rig small.toml --headless --learned missing"
    assert flowdebt(arguments.split()) == 2
    told = capsys.readouterr().err
    assert "missing: found no such file or directory, expected a session or a folder" in told
    assert not (tmp_path / "sessions").exists()


async def watched(tmp_path: Path, rows: Sequence[Sample], learned: str | None) -> Path:
    """Let a guard watch a log and record it; return the session."""
    log, rig = tmp_path / "log.csv", tmp_path / "small.toml"
    log.unlink(missing_ok=True)
    write_csv(rows, log, ("boost_kpa", "delivered_ml_min"))
    rig.write_text(SMALL)
    sessions = tmp_path / "sessions"
    before = set(sessions.glob("*"))
    order = Order(str(log), str(rig), speed=0.0, record=str(sessions), learned=learned)
    await run_order(order)
    (made,) = set(sessions.glob("*")) - before
    return made


@pytest.mark.asyncio
async def test_a_session_goes_on_from_what_another_learned_and_reads_back_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The state it began with is in it: a review reproduces it, and its own is learned on.

    Judged by another rig, what was learned still holds where the sensors are the same.
    """
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    first = await watched(tmp_path, drive(45.0, 1.05, 1), str(tmp_path / "sessions"))
    told = [line["text"] for line in noted(first) if line.get("topic") == "learned"]
    assert told[0].startswith("nothing restored: no session of Small in ")
    summary = read_summary(first)
    assert summary is not None
    assert summary.learned is not None
    assert summary.learned.gain == pytest.approx(1.05, abs=0.015)
    assert review(first, None).reproduced is True

    second = await watched(tmp_path, drive(15.0, 1.05, 2), str(tmp_path / "sessions"))
    told = [line["text"] for line in noted(second) if line.get("topic") == "learned"]
    assert len(told) == 1
    assert f"restored from {first.name}" in told[0]
    found = review(second, None)
    assert found.reproduced is True
    log = open_log(second)
    decided = decide(log)
    assert decided.decision(0).gain == summary.learned.gain
    again = read_summary(second)
    assert again is not None
    assert again.learned is not None
    assert 20.0 < again.learned.learned_s < 35.0

    other = tmp_path / "other.toml"
    other.write_text(SMALL.replace('"6 deg"', '"5 deg"'))
    assert decide(open_log(second, str(other))).decision(0).gain == summary.learned.gain
    other.write_text(SMALL.replace('"1400 kPa"', '"1300 kPa"'))
    assert decide(open_log(second, str(other))).decision(0).gain == 1.0
