"""A person's marks, kept beside a log; and a stretch of it as a file of its own."""

import json
import re
import unicodedata
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from monitor.recorder import layout
from monitor.review.decide_log import decide
from monitor.review.edit import edit
from monitor.review.log import Log, open_log
from monitor.review.marks import (
    LONGEST_TEXT,
    MOST_BYTES,
    add_mark,
    marks_path,
    read_marks,
    remove_mark,
)
from monitor.review.ranges import export_range
from monitor.review.review import review
from rules.channels import TIME
from simulator.strict import BadInput
from tests.kit.recordings import BRINDLE, DECIDED_AT
from tests.kit.replays import decided_of, opened, session_of, tiled, troubled


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Log:
    """A log of five rows."""
    return opened(tiled(5), tmp_path_factory.mktemp("log"))


def test_marks_come_and_go_and_nothing_is_lost(tmp_path: Path) -> None:
    """By time; a removed one's line stays."""
    log = opened(tiled(50), tmp_path)
    assert read_marks(log).marks == []
    late = add_mark(log, 9.5, "pump clicks", "Ada")
    early = add_mark(log, -1.0, "start", "")
    assert read_marks(log).marks == [early, late]
    assert marks_path(log).name == "log.parquet.marks.jsonl"
    kept = marks_path(log).read_bytes()
    remove_mark(log, late.number, "Ada")
    assert read_marks(log).marks == [early]
    assert marks_path(log).read_bytes().startswith(kept)
    with pytest.raises(BadInput, match=r"found no mark 1, expected one that stands"):
        remove_mark(log, late.number, "Ada")
    assert add_mark(log, 1.0, "again", "Ada").number == 4


def test_a_session_s_marks_are_in_its_folder(tmp_path: Path) -> None:
    """And the session is still whole, and reviewed as before."""
    session = session_of(tmp_path)
    add_mark(open_log(session), 1.0, "here", "Ada")
    assert (session / "marks.jsonl").is_file()
    assert review(session, None).reproduced is True
    assert review(session, None).cut is None


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(text=some.text(max_size=600), who=some.text(max_size=90))
def test_text_is_kept_harmless(short: Log, text: str, who: str) -> None:
    """Whatever is written comes back on one line, bounded, with nothing a terminal obeys."""
    marks_path(short).unlink(missing_ok=True)
    try:
        mark = add_mark(short, 1.0, text, who)
    except BadInput as error:
        assert "found no text" in str(error)  # noqa: PT017 (only where none is left)
        return
    assert read_marks(short).marks == [mark]
    assert not any(unicodedata.category(char).startswith("C") for char in mark.text + mark.who)
    assert 1 <= len(mark.text) <= LONGEST_TEXT
    assert len(marks_path(short).read_bytes().split(b"\n")) == 2


def test_bad_lines_are_told_of_and_kept(tmp_path: Path) -> None:
    """A cut-off line, nonsense, other kinds: told with their line; marks around them stand."""
    log = opened(tiled(5), tmp_path)
    good = json.dumps({"kind": "mark", "time_s": 2.0, "text": "a\x1b[31mb", "who": "Ada"})
    lines = [
        b"\xff\xfe",
        b"[1]",
        b'{"kind": "mark", "time_s": "2", "text": "x"}',
        b'{"kind": "mark", "time_s": NaN, "text": "x"}',
        b'{"kind": "mark", "time_s": 1e999, "text": "x"}',
        b'{"kind": "song", "time_s": 1, "text": "x"}',
        b'{"kind": "removed", "line": 7}',
        b"[" * 5000,
        b'{"x": "' + b"y" * 9000 + b'"}',
        b"",
        good.encode(),
        b'{"kind": "mark", "ti',
    ]
    raw = b"\n".join(lines)
    marks_path(log).write_bytes(raw)
    found = read_marks(log)
    assert [(mark.number, mark.text) for mark in found.marks] == [(11, "a[31mb")]
    told = [re.search(r"\.jsonl:(\d+): found", fault) for fault in found.faults]
    assert [int(fault[1]) for fault in told if fault] == [1, 2, 3, 4, 5, 6, 7, 8, 9, 12]
    assert all("the line is kept" in fault for fault in found.faults)
    mark = add_mark(log, 3.0, "more", "Ada")
    assert mark.number == 13
    assert marks_path(log).read_bytes().startswith(raw + b"\n")
    assert [m.number for m in read_marks(log).marks] == [11, 13]


def test_what_is_refused(tmp_path: Path) -> None:
    """No text, no time, no room, no file: one line each."""
    log = opened(tiled(5), tmp_path)
    for time_s, text, message in (
        (1.0, " \n", "found no text"),
        (float("nan"), "x", "found nan, expected a time in s"),
        (float("inf"), "x", "found inf, expected a time in s"),
    ):
        with pytest.raises(BadInput, match=message):
            add_mark(log, time_s, text, "Ada")
    assert not marks_path(log).exists()
    marks_path(log).write_bytes(b" " * MOST_BYTES)
    with pytest.raises(BadInput, match="found no room"):
        add_mark(log, 1.0, "x", "Ada")
    marks_path(log).write_bytes(b" " * (MOST_BYTES + 1))
    with pytest.raises(BadInput, match="found a larger file"):
        read_marks(log)
    marks_path(log).unlink()
    marks_path(log).mkdir()
    with pytest.raises(BadInput, match="a folder"):
        add_mark(log, 1.0, "x", "Ada")
    with pytest.raises(BadInput, match="expected marks"):
        read_marks(log)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_stretch_as_a_file(tmp_path: Path, kind: str) -> None:
    """Its rows to the last bit, as exports are, and readable as any log; nothing is overwritten."""
    decided = decided_of(troubled(20_000)[:9500], tmp_path)
    from_s, to_s = decided.time_s(8150), decided.time_s(9300)
    start, end = decided.rows_between(from_s, to_s)
    assert start <= 8150 < 9300 < end
    path = tmp_path / f"part.{kind}"
    done = export_range(decided, from_s, to_s, path)
    assert (done.rows, done.cut, done.rig_changed) == (end - start, None, False)
    again = open_log(path, "brindle")
    again.read()
    rows = decided.log.rows[start:end]
    assert again.rows[:, 1:].tobytes() == rows[:, 1:].tobytes()
    whole = path.read_bytes()
    with pytest.raises(BadInput, match="nothing is overwritten"):
        export_range(decided, from_s, to_s, path)
    assert path.read_bytes() == whole


def test_a_stretch_holds_what_was_decided_by_this_rig(tmp_path: Path) -> None:
    """Of a what-if, its own decisions and its own rig."""
    log = opened(tiled(2400, "pump_stop"), tmp_path)
    other = edit(BRINDLE, "debt.cut = 0.5 s")
    decided = decide(log, other)
    path = tmp_path / "part.parquet"
    export_range(decided, 5.0, 15.0, path)
    table = pq.read_table(path)
    start, end = decided.rows_between(5.0, 15.0)
    then = np.column_stack([table[f"decided_{name}"].to_numpy() for name in layout.DECIDED])
    assert then.tobytes() == decided.decisions(start, end)[:, DECIDED_AT].tobytes()
    assert table.schema.metadata[b"rig_toml"].decode() == other.text
    assert np.array_equal(table["time_s"].to_numpy(), log.rows[start:end, TIME])


def test_a_stretch_of_nothing(tmp_path: Path) -> None:
    """No rows, no file; another ending neither."""
    decided = decided_of(tiled(100), tmp_path)
    for from_s, to_s in ((500.0, 600.0), (5.0, 4.0), (-9.0, -8.0), (float("nan"), 1.0)):
        with pytest.raises(BadInput, match="found no rows from"):
            export_range(decided, from_s, to_s, tmp_path / "part.csv")
    with pytest.raises(BadInput, match=r"part\.txt: found \.txt, expected \.csv or \.parquet"):
        export_range(decided, 0.0, 1.0, tmp_path / "part.txt")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["log.parquet"]
