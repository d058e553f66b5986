"""The list of sessions: from summaries where they are good, from the rows where they are not."""

import json
import os
from dataclasses import replace
from math import inf
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

import monitor.recorder.index as index_module
from monitor.cli import run as flowdebt
from monitor.guard.loop import GuardLoop
from monitor.guard.recording import RecordingListener
from monitor.recorder import layout
from monitor.recorder.fake_disk import FakeDisk
from monitor.recorder.index import Entry, in_words, length_in_words, sessions_in, size_in_words
from monitor.recorder.notes import Note, NotedEvent
from monitor.recorder.reader import open_segment
from monitor.recorder.recorder import Recorder
from monitor.recorder.span import Span
from monitor.recorder.summary import Summary, read_summary, write_summary
from monitor.sources.simulated import SimulatedSource
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.drives import Driven
from tests.kit.patience import until
from tests.kit.recordings import BRINDLE, Recording, record

SAMPLES = Driven("pump_stop", 2)


def only(folder: Path) -> Entry:
    """Return a folder's one session."""
    (entry,) = sessions_in(folder)
    return entry


def as_killed(session: Path) -> None:
    """Leave a session as kill -9 does: no end record, a summary from on the way."""
    events = session / layout.EVENTS
    events.write_bytes(b"".join(events.read_bytes().splitlines(keepends=True)[:-1]))
    summary = read_summary(session)
    assert summary is not None
    write_summary(session, msgspec.structs.replace(summary, ended=False, rows=1, to_s=0.0))


@pytest.mark.asyncio
async def test_a_guards_session_is_listed_with_what_it_found(tmp_path: Path) -> None:
    """Events and the worst action come from the guard's own notes; without a summary too."""
    source = SimulatedSource(load_scenario("pump_stop"), seed=1, speed=inf)
    recorder = Recorder(tmp_path, BRINDLE, "the car")
    await GuardLoop(BRINDLE, source, [RecordingListener(recorder)]).run()
    entry = only(tmp_path)
    assert (entry.rig, entry.source, entry.state) == ("Brindle 1.8", "the car", "complete")
    assert (entry.samples, entry.worst_action, entry.why) == (2400, "cut_boost", "source ended")
    assert entry.events >= 3
    assert entry.length_s == pytest.approx(23.99)
    summary = recorder.path / layout.SUMMARY
    size = summary.stat().st_size
    assert entry.bytes == size + sum(
        file.stat().st_size for file in recorder.path.iterdir() if file != summary
    )
    summary.unlink()
    assert only(tmp_path) == replace(entry, bytes=entry.bytes - size)
    summary.write_text("{", encoding="utf-8")
    assert only(tmp_path) == replace(entry, bytes=entry.bytes - size + 1)


def test_newest_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the time each began; of one second, the later folder first."""
    for stamp, times in (("2026-01-31", 1), ("2026-03-01", 12), ("2025-12-31", 1)):
        monkeypatch.setattr(
            "monitor.recorder.folder.stamp", lambda stamp=stamp: f"{stamp}T12-00-00Z"
        )
        for _ in range(times):
            record(tmp_path, SAMPLES[:5])
    (tmp_path / "notes.txt").write_text("no session", encoding="utf-8")
    (tmp_path / "empty").mkdir()
    names = [Path(entry.session).name for entry in sessions_in(tmp_path)]
    march = [f"2026-03-01T12-00-00Z-brindle-1-8-{i}" for i in range(12, 1, -1)]
    assert names == [
        *march,
        "2026-03-01T12-00-00Z-brindle-1-8",
        "2026-01-31T12-00-00Z-brindle-1-8",
        "2025-12-31T12-00-00Z-brindle-1-8",
    ]


@pytest.mark.parametrize("with_summary", [True, False])
def test_a_killed_session_is_cut_off_and_counted_by_its_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, with_summary: bool
) -> None:
    """An old summary saves reading the segments it knows to be whole, and is not believed else."""
    session = record(tmp_path, SAMPLES[:1000], segment_rows=300)
    as_killed(session)
    if not with_summary:
        (session / layout.SUMMARY).unlink()
    else:
        summary = read_summary(session)
        assert summary is not None
        whole = Span()
        whole.take(np.array(SAMPLES[:900]))
        write_summary(
            session,
            msgspec.structs.replace(summary, whole_segments=3, whole_rows=900, whole=whole),
        )
    read: list[str] = []

    def noted(path: Path) -> Any:
        read.append(path.name)
        return open_segment(path)

    monkeypatch.setattr(index_module, "open_segment", noted)
    entry = only(tmp_path)
    assert (entry.state, entry.samples) == ("cut off", 1000)
    assert entry.length_s == pytest.approx(9.99)
    assert read == [f"samples-000{i}.arrow" for i in ([4] if with_summary else [1, 2, 3, 4])]
    path = layout.segments_of(session)[3]
    path.write_bytes(path.read_bytes()[:-500])
    assert 900 <= only(tmp_path).samples < 1000


def test_a_session_still_being_recorded_says_so(tmp_path: Path) -> None:
    """Its process is a running guard; any other session without an end was cut off."""
    recording = Recording(tmp_path)
    recording.put(SAMPLES[:50])
    until(lambda: recording.recorder.rows == 50)
    assert sessions_in(tmp_path, {os.getpid()})[0].state == "recording"
    entry = only(tmp_path)
    assert (entry.state, entry.samples) == ("cut off", 50)
    recording.close()
    assert sessions_in(tmp_path, {os.getpid()})[0].state == "complete"


def test_rows_that_were_not_recorded_show(tmp_path: Path) -> None:
    """A session that a full disk interrupted is not called complete."""
    disk = FakeDisk()
    recording = Recording(tmp_path, disk=disk)
    recording.put(SAMPLES[:50])
    until(lambda: recording.recorder.rows == 50)
    disk.room = 1000
    recording.put(SAMPLES[50:300])
    until(lambda: recording.recorder.dropped == 250)
    disk.room = 1000
    recording.close()
    entry = only(tmp_path)
    assert (entry.state, entry.samples, entry.not_recorded) == ("rows missing", 50, 250)
    assert "rows missing (250 rows not recorded)" in "\n".join(in_words([entry]))
    one = replace(entry, not_recorded=1)
    assert "rows missing (1 row not recorded)" in "\n".join(in_words([one]))


def test_a_session_changed_since_shows(tmp_path: Path) -> None:
    """Segments of another size than they were left with, or gone: damaged, counted by rows."""
    session = record(tmp_path, SAMPLES[:900], segment_rows=300)
    first, second, _ = layout.segments_of(session)
    second.write_bytes(second.read_bytes()[:2000])
    entry = only(tmp_path)
    assert entry.state == "damaged"
    assert 600 <= entry.samples < 900
    first.unlink()
    assert only(tmp_path).state == "damaged"


def test_an_unreadable_session_is_listed_as_such(tmp_path: Path, capsys: Any) -> None:
    """One bad folder does not hide the others, and brings no control characters along."""
    record(tmp_path, SAMPLES[:5])
    bad = tmp_path / "bad\x1b[31m"
    bad.mkdir()
    (bad / layout.ABOUT).write_text("{", encoding="utf-8")
    assert [entry.state for entry in sessions_in(tmp_path)] == ["complete", "unreadable"]
    assert flowdebt(["sessions", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "unreadable: " in out
    assert "\x1b" not in out


def test_json_is_as_promised(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line a session, these keys, plain types."""
    record(tmp_path, SAMPLES[:50])
    record(tmp_path, [])
    assert flowdebt(["sessions", str(tmp_path), "--json"]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [list(entry) for entry in told] == 2 * [
        [
            *("session", "started", "rig", "source", "length_s", "samples", "events"),
            *("worst_action", "state", "why", "not_recorded", "bytes"),
        ]
    ]
    assert [(entry["samples"], entry["length_s"]) for entry in told] == [(0, None), (50, 0.49)]


def test_one_session_can_be_listed_alone(tmp_path: Path) -> None:
    """A session's own folder lists itself."""
    session = record(tmp_path, SAMPLES[:5])
    assert sessions_in(session) == sessions_in(tmp_path)


def test_nothing_to_list(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty folder is no error; one that isn't there is."""
    assert flowdebt(["sessions", str(tmp_path)]) == 0
    assert capsys.readouterr().out == f"no sessions in {tmp_path}\n"
    assert flowdebt(["sessions", str(tmp_path / "none")]) == 2
    assert "expected a folder with sessions" in capsys.readouterr().err
    with pytest.raises(BadInput):
        sessions_in(Path(__file__))


def test_a_thousand_sessions_are_listed_without_reading_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No segment is opened where summaries are good."""
    session = record(tmp_path, SAMPLES[:5])
    files = {path.name: path.read_bytes() for path in session.iterdir()}
    for i in range(999):
        copy = tmp_path / f"{session.name}-copy-{i}"
        copy.mkdir()
        for name, content in files.items():
            (copy / name).write_bytes(content)
    monkeypatch.setattr(index_module, "open_segment", lambda _: pytest.fail("read a segment"))
    assert len(sessions_in(tmp_path)) == 1000


def test_the_worst_action_of_any_turn_counts() -> None:
    """Raised counts an event; worsened only its action; nonsense nothing."""
    summary = Summary()
    for turn, action in (("raised", "warn"), ("worsened", "cut_boost"), ("raised", "shout")):
        summary.count(Note("event", turn, NotedEvent(action)))
    for other in (Note("event"), Note("notice")):
        summary.count(other)
    assert (summary.events, summary.worst_action) == (2, "cut_boost")


def test_lengths_and_sizes_in_words() -> None:
    """Seconds, minutes, hours; kB, MB, GB."""
    lengths = [None, 9.96, 59.94, 61.0, 3599.7, 86_399.0]
    assert [length_in_words(length) for length in lengths] == [
        *("no time", "10.0 s", "59.9 s", "1 min 01 s", "1 h 00 min", "23 h 59 min"),
    ]
    assert [size_in_words(s) for s in (0, 1500, 2_500_000, 3_200_000_000)] == [
        *("0.0 kB", "1.5 kB", "2.5 MB", "3.2 GB"),
    ]
