"""The folder taken away while it is recorded in: noticed, counted, told, and gone on from."""

import asyncio
import shutil
import threading
from pathlib import Path

import numpy as np
import pytest

import monitor.recorder.recorder as recorder_module
from monitor.attach import protocol
from monitor.guard.loop import GuardLoop
from monitor.guard.recording import RecordingListener
from monitor.recorder import layout
from monitor.recorder.disk import Disk, DiskFile
from monitor.recorder.fake_disk import FakeDisk
from monitor.recorder.index import sessions_in
from monitor.recorder.reader import SessionBlocks, is_session
from monitor.recorder.recorder import FOLDER_GONE, Recorder
from monitor.review.review import review
from monitor.sources.fake import FakeSource
from rules.channels import Sample
from simulator.rig import rig_from_text
from tests.kit.drives import Driven
from tests.kit.listening import FakeGuard, Told
from tests.kit.patience import PATIENCE_S, until
from tests.kit.recordings import (
    BRINDLE,
    Recording,
    decided_of,
    kept_rows,
    noted,
    put_until_recorded,
    read,
)
from tests.kit.rig_text import SMALL

SAMPLES = Driven("pump_stop", 2)


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "LOOK_S", 0.01)
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)


def _go_on(recording: Recording, at: int, before: Path) -> int:
    """Put one row after the other until they are recorded in another folder; return the next."""
    recorder = recording.recorder
    until(lambda: recorder.fault is not None)
    while recorder.path == before or recorder.fault is not None:
        recording.put(SAMPLES[at : at + 1])
        at += 1
        until(lambda: not recorder.waiting)
    return at


@pytest.mark.parametrize("with_parent", [False, True])
@pytest.mark.parametrize("segment_rows", [10_000, 150])
def test_a_removed_folder_is_counted_lost_and_a_new_one_goes_on(
    tmp_path: Path, with_parent: bool, segment_rows: int
) -> None:
    """What was in it counts as not recorded; the new session says so, and reproduces."""
    parent = tmp_path / "deep" / "sessions"
    recording = Recording(parent, segment_rows=segment_rows)
    recorder = recording.recorder
    recording.put(SAMPLES[:400])
    until(lambda: recorder.rows == 400)
    first = recorder.path
    shutil.rmtree(parent.parent if with_parent else first)
    at = _go_on(recording, 400, first)
    recording.put(SAMPLES[at:])
    session = recording.close()
    assert session != first
    assert recorder.fault is None
    assert recorder.dropped >= 400
    assert recorder.rows + recorder.dropped == len(SAMPLES)
    assert [path for path in parent.iterdir() if is_session(path)] == [session]
    assert kept_rows(session) == recorder.rows
    _, decided, blocks = read(session)
    assert decided.tobytes() == decided_of(recording.decisions[recorder.dropped :])
    assert blocks.cut == f"{recorder.dropped} rows were not recorded before samples-0001.arrow"
    assert review(session, None).reproduced is True
    (entry,) = sessions_in(parent)
    assert (entry.state, entry.not_recorded) == ("rows missing", recorder.dropped)


@pytest.mark.parametrize("name", ["samples-0002.arrow", layout.EVENTS])
def test_a_file_under_way_that_is_removed_is_missed_too(tmp_path: Path, name: str) -> None:
    """Only what was in that file is lost; the old session stays, and is not called whole.

    (A segment that is finished is nobody's to write any more: reading finds that it is gone.)
    """
    recording = Recording(tmp_path, segment_rows=250)
    recorder = recording.recorder
    recording.put(SAMPLES[:400])
    until(lambda: recorder.rows == 400)
    first = recorder.path
    (first / name).unlink()
    at = _go_on(recording, 400, first)
    recording.put(SAMPLES[at:])
    recording.close()
    assert recorder.rows + recorder.dropped == len(SAMPLES)
    assert sum(kept_rows(path) for path in tmp_path.iterdir()) == recorder.rows
    assert recorder.dropped < 400
    old = review(first, None)
    assert old.rows == (250 if name != layout.EVENTS else 400)
    assert old.cut is not None
    assert old.reproduced is True


def test_nothing_new_is_put_in_a_folder_that_is_being_removed(tmp_path: Path) -> None:
    """Else the removal would fail: the folder it has just emptied would not be empty."""
    recording = Recording(tmp_path)
    recorder = recording.recorder
    recording.put(SAMPLES[:100])
    until(lambda: recorder.rows == 100)
    first = recorder.path
    for path in first.iterdir():
        path.unlink()
    at = _go_on(recording, 100, first)
    first.rmdir()
    recording.put(SAMPLES[at:])
    assert review(recording.close(), None).reproduced is True


def test_a_moved_folder_loses_nothing(tmp_path: Path) -> None:
    """What was recorded is where it was moved to, whole; the rest is in a new session."""
    recording = Recording(tmp_path / "sessions", segment_rows=150)
    recorder = recording.recorder
    recording.put(SAMPLES[:400])
    until(lambda: recorder.rows == 400)
    first = recorder.path
    moved = first.rename(tmp_path / "moved")
    at = _go_on(recording, 400, first)
    recording.put(SAMPLES[at:])
    session = recording.close()
    assert recorder.rows + recorder.dropped == len(SAMPLES)
    assert recorder.dropped == at - 400 - (kept_rows(session) - (len(SAMPLES) - at))
    for path in (moved, session):
        assert review(path, None).reproduced is True
    assert review(moved, None).cut is None
    assert kept_rows(moved) + kept_rows(session) == recorder.rows


def test_where_no_folder_can_be_made_it_says_so_until_one_can(tmp_path: Path) -> None:
    """A file in the place of the folder for sessions: stopped, and why; then it goes on."""
    parent = tmp_path / "sessions"
    recording = Recording(parent)
    recorder = recording.recorder
    recording.put(SAMPLES[:200])
    until(lambda: recorder.rows == 200)
    first = recorder.path
    shutil.rmtree(parent)
    parent.write_text("in the way")
    until(lambda: recorder.fault is not None)
    at = 200
    while recorder.fault == FOLDER_GONE:
        recording.put(SAMPLES[at : at + 1])
        at += 1
        until(lambda: not recorder.waiting)
    assert recorder.fault in ("file exists", "not a directory")
    assert (recorder.rows, recorder.path) == (0, first)
    parent.unlink()
    at = _go_on(recording, at, first)
    recording.put(SAMPLES[at:])
    session = recording.close()
    assert recorder.rows + recorder.dropped == len(SAMPLES)
    assert review(session, None).reproduced is True


def test_removed_just_before_the_end_it_is_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There is nothing left to go on with, and nothing passes for recorded."""
    monkeypatch.setattr(recorder_module, "LOOK_S", 1e9)
    recording = Recording(tmp_path)
    recording.put(SAMPLES[:300])
    until(lambda: recording.recorder.rows == 300)
    shutil.rmtree(recording.recorder.path)
    recording.close()
    assert (recording.recorder.rows, recording.recorder.dropped) == (0, 300)
    assert recording.recorder.fault == FOLDER_GONE
    assert list(tmp_path.iterdir()) == []


def test_the_new_session_brings_the_rig_in_force(tmp_path: Path) -> None:
    """After a change of thresholds the new folder's rig is the changed one, and judges the same."""
    rig = rig_from_text(SMALL, "small.toml")
    changed = rig_from_text(SMALL + '[debt]\ncut = "0.9 s"\n', "small.toml")
    calm = [Sample(0.01 * i, boost_kpa=-50.0, delivered_ml_min=i % 2) for i in range(600)]
    recording = Recording(tmp_path, rig)
    recorder = recording.recorder
    recording.put(calm[:100])
    recording.change(changed)
    recording.put(calm[100:200])
    until(lambda: recorder.rows == 200)
    first = recorder.path
    shutil.rmtree(first)
    until(lambda: recorder.fault is not None)
    recording.put(calm[200:202])
    until(lambda: recorder.path != first and not recorder.waiting)
    recording.put(calm[202:])
    session = recording.close()
    assert SessionBlocks(session).rig_file().text == changed.text
    assert SessionBlocks(session).about["rig_sha256"] == layout.rig_hash(changed.text)
    assert review(session, None).reproduced is True
    assert review(session, None).new_terms == []


@pytest.mark.parametrize("seed", range(4))
def test_whenever_it_is_removed_no_row_is_lost_unsaid(tmp_path: Path, seed: int) -> None:
    """Folders, files and parents removed at random moments: recorded and lost add up to decided."""
    rng = np.random.default_rng(seed)
    parent = tmp_path / "sessions"
    recording = Recording(parent, segment_rows=int(rng.integers(20, 300)))
    recorder = recording.recorder
    at = 0
    while at < len(SAMPLES):
        more = int(rng.integers(1, 120))
        recording.put(SAMPLES[at : at + more])
        at += more
        until(lambda: not recorder.waiting)
        what = rng.integers(0, 6)
        if what == 0:
            shutil.rmtree(recorder.path, ignore_errors=True)
        elif what == 1:
            (recorder.path / layout.EVENTS).unlink(missing_ok=True)
        elif what == 2:
            shutil.rmtree(parent, ignore_errors=True)
    recording.close()
    assert recorder.rows + recorder.dropped == len(SAMPLES)


@pytest.mark.asyncio
async def test_a_guard_tells_of_it(tmp_path: Path) -> None:
    """A notice names the old folder and the new; every frame carries the folder recorded in now."""
    rig = rig_from_text(SMALL, "small.toml")
    recorder = Recorder(tmp_path, rig, "fake")
    told = Told()
    # A source that falls silent: its ticks, ten a second, are rows like any other.
    source = FakeSource([Sample(0.01 * i, 1.0 + i % 2) for i in range(50)], ends=False)
    loop = GuardLoop(rig, source, [RecordingListener(recorder), told])
    running = asyncio.create_task(loop.run())
    first = recorder.path
    await told.notice(lambda text: text == f"in {first}")
    await asyncio.to_thread(until, lambda: recorder.rows >= 50)
    shutil.rmtree(first)
    text = await told.notice(lambda text: "from here on" in text)
    assert recorder.path != first
    assert text.startswith(f"in {recorder.path} from here on, since {first} is gone; ")
    assert loop.listener_facts().recording == protocol.Recording(str(recorder.path))
    loop.stop("seen enough")
    await running
    facts = loop.statistics()
    assert (facts.recorded or 0) + (facts.not_recorded or 0) == facts.decided
    assert (facts.not_recorded or 0) >= 50
    assert text in [note.get("text") for note in noted(recorder.path)]


class _LongClosing(DiskFile):
    """Closing it takes until a test allows it."""

    closing = threading.Event()
    allowed = threading.Event()

    def close(self) -> None:
        self.closing.set()
        assert self.allowed.wait(PATIENCE_S)
        super().close()


class _LongClosingEvents(Disk):
    def create(self, path: Path) -> DiskFile:
        return (_LongClosing if path.name == layout.EVENTS else DiskFile)(path)


def _listened(recording: Recording) -> tuple[RecordingListener, FakeGuard]:
    listener, guard = RecordingListener(recording.recorder), FakeGuard(BRINDLE.rig)
    listener.opened(guard)
    guard.reported.clear()
    return listener, guard


def test_it_is_told_though_asked_while_the_old_folder_is_left(tmp_path: Path) -> None:
    """Between beginning the new one and letting go of the old there is time to be asked in."""
    _LongClosing.closing.clear()
    _LongClosing.allowed.clear()
    recording = Recording(tmp_path, disk=_LongClosingEvents())
    recorder = recording.recorder
    listener, guard = _listened(recording)
    recording.put(SAMPLES[:100])
    until(lambda: recorder.rows == 100)
    first = recorder.path
    shutil.rmtree(first)
    until(lambda: recorder.fault is not None)
    listener.tick()
    recording.put(SAMPLES[100:101])  # brings what is remembered; from the next on it is recorded
    recording.put(SAMPLES[101:102])
    assert _LongClosing.closing.wait(PATIENCE_S)
    listener.tick()
    _LongClosing.allowed.set()
    until(lambda: recorder.fault is None)
    listener.tick()
    recording.close()
    assert guard.reported == [
        f"stopped: {FOLDER_GONE}",
        f"in {recorder.path} from here on, since {first} is gone; 101 rows not recorded",
    ]


def test_it_is_told_though_the_new_folder_stops_before_anybody_asks(tmp_path: Path) -> None:
    """Once it is recorded in again, the folder is named, and that the other is gone."""
    disk = FakeDisk()
    recording = Recording(tmp_path, disk=disk)
    recorder = recording.recorder
    listener, guard = _listened(recording)
    recording.put(SAMPLES[:100])
    until(lambda: recorder.rows == 100)
    first = recorder.path
    shutil.rmtree(first)
    at = _go_on(recording, 100, first)
    disk.room = 0
    recording.put(SAMPLES[at : at + 1])
    until(lambda: recorder.fault is not None)
    listener.tick()
    disk.room = float("inf")
    put_until_recorded(recording, SAMPLES, at + 1)
    lost = recorder.dropped
    listener.tick()
    recording.close()
    assert guard.reported == [
        "stopped: disk full",
        f"in {recorder.path} from here on, since {first} is gone; {lost} rows not recorded",
    ]
