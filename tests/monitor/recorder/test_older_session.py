"""A session that an older version recorded: read, listed, exported, decided anew, shown.

``tests/kit/older_session`` was recorded by the version before evidence: a pull whose pump stops,
the rig changed while the guard ran, and a flow reading lost.
"""

import json
import shutil
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from monitor.cli import run as flowdebt
from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks
from monitor.review.decide_log import decide
from monitor.review.done_then import DoneThen
from monitor.review.log import open_log
from monitor.review.review import review
from rules.channels import TIME, Sample
from rules.facts import Action
from rules.step.state import FINDING_NAMES
from tests.kit.paths import OLDER_SESSION
from tests.kit.recordings import BRINDLE, read, record

DONE = (
    DoneThen(Action.WARN, 3.05, 1),
    DoneThen(Action.PULL_TIMING, 3.1, 1),
    DoneThen(Action.CUT_BOOST, 3.25, 2),
)


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A copy of it."""
    path = tmp_path / "sessions" / "2026-11-28T23-01-05Z-small"
    shutil.copytree(OLDER_SESSION, path)
    return path


def test_its_rows_and_what_was_decided_are_read(session: Path) -> None:
    """By today's columns; what it did not decide is NaN, and a finding has its number of today."""
    rows, decided, blocks = read(session)
    assert (len(rows), blocks.cut, blocks.decided_by_older) == (190, None, True)
    named = dict(zip(layout.DECIDED, decided.T, strict=True))
    for name, column in named.items():
        assert np.isnan(column).all() == (name in layout.LATER), name
    at = rows[:, TIME]
    cut = named["action"] == Action.CUT_BOOST
    behind = {FINDING_NAMES[int(n)] for n in named["finding"][cut & (at < 8.0)]}
    assert behind == {"under_delivery"}
    assert {FINDING_NAMES[int(n)] for n in named["finding"][at > 8.8]} == {"signal_lost"}
    assert named["finding"][0] == -1.0


def test_its_rig_is_read_in_today_s_words(session: Path) -> None:
    """Values stay; what today's range refuses is as near as may be."""
    rig = SessionBlocks(session).rig_file().rig
    assert rig.flow_sensor.delay_s == pytest.approx(0.08)
    assert rig.flow_sensor.delay_within_s == pytest.approx(0.072)  # 90 ms were written
    assert rig.flow_sensor.gain_within == pytest.approx(0.12)
    assert rig.debt.cut_ml == 2.0


def test_it_is_decided_anew_beside_what_was_done(
    session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No comparison that could only fail; exit code 0; a key that can't change now did then."""
    found = review(session, None)
    assert (found.reproduced, found.differs_at_s, found.done_then) == (None, None, DONE)
    assert [new.changes[0].key for new in found.new_terms] == ["flow_sensor.gain_within"]
    assert found.new_terms[0].time_s == pytest.approx(7.55)
    assert [event.finding for event in found.events] == ["under_delivery", "signal_lost"]
    assert flowdebt(["review", str(session)]) == 0
    assert (
        "  decided then by an older version's rules: warn at 3.05 s, pull timing at 3.10 s, "
        "cut boost at 3.25 s (2 times); decided anew here by today's\n"
    ) in capsys.readouterr().out
    assert flowdebt(["review", str(session), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["done_by_older_rules"][2] == {"action": "cut_boost", "time_s": 3.25, "times": 2}


def test_a_session_of_today_is_compared(tmp_path: Path, session: Path) -> None:
    """As ever: the columns tell which it is."""
    rows, _, _ = read(session)
    again = record(tmp_path, [Sample._make(row) for row in rows.tolist()], BRINDLE)
    found = review(again, None)
    assert (found.reproduced, found.done_then) == (True, None)


def test_a_replay_decides_it_anew(session: Path) -> None:
    """Every row, as the review did; and by another rig too."""
    log = open_log(session)
    decided = decide(log)
    assert (decided.reproduced, log.done_then) == (None, DONE)
    assert [event.finding for event in decided.events] == ["under_delivery", "signal_lost"]
    assert decided.rig_at(189).flow_sensor.gain_within == pytest.approx(0.1)
    assert decided.decision(189).action == Action.CUT_BOOST
    assert decide(log, BRINDLE).rows == decided.rows


def test_it_is_listed_exported_drawn_and_watched(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By every command that takes a session."""
    assert flowdebt(["sessions", str(session.parent), "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert (listed["samples"], listed["worst_action"]) == (190, "cut_boost")
    parquet, picture = tmp_path / "all.parquet", tmp_path / "at.svg"
    assert flowdebt(["export", str(session), "--to", str(parquet)]) == 0
    table = pq.read_table(parquet)
    assert pq.read_metadata(parquet).metadata[b"decided_by"].startswith(b"an older version's rules")
    assert np.isnan(table.column("decided_evidence").to_numpy()).all()
    assert np.nanmax(table.column("decided_debt_ml").to_numpy()) > 2.0
    assert flowdebt(["export", str(session), "--to", str(tmp_path / "all.csv")]) == 0
    assert flowdebt(["snapshot", str(session), "--at", "3.5", "--to", str(picture)]) == 0
    assert "older version" in picture.read_text(encoding="utf-8")
    watched = ["watch", str(session), "--speed", "0", "--headless", "--no-record"]
    assert flowdebt(watched) == 0
    assert "CUT BOOST" in capsys.readouterr().out


def test_what_an_older_guard_remembered_is_not_used(session: Path) -> None:
    """Rows lost before a segment: it goes on afresh, since what was remembered fits no more."""
    (session / layout.segment_name(1)).unlink()
    blocks = SessionBlocks(session)
    for _ in blocks:
        assert blocks.hole == ()
    assert "152 rows were recorded before samples-0002.arrow, and gone" in (blocks.cut or "")
    assert review(session, None).reproduced is None
