"""A disk that is full, fails or hangs, and what a recording must never touch."""

import errno
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import monitor.recorder.recorder as recorder_module
from monitor.recorder import layout
from monitor.recorder.disk import DiskFile, write_whole
from monitor.recorder.fake_disk import FakeDisk
from monitor.recorder.index import sessions_in
from monitor.recorder.recorder import Recorder
from monitor.review.report import in_words
from monitor.review.review import review
from rules.channels import Sample
from simulator.strict import BadInput
from tests.kit.drives import Driven
from tests.kit.patience import PATIENCE_S, until
from tests.kit.recordings import (
    BRINDLE,
    Recording,
    decided_of,
    has_rows,
    kept_rows,
    mounted,
    noted,
    read,
    record,
    stopped,
)

SAMPLES = Driven("pump_stop", 2)


def test_a_full_disk_stops_recording_and_room_resumes_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Deciding goes on; what is there stays readable; a new segment goes on, bit for bit."""
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    disk = FakeDisk()
    recording = Recording(tmp_path, disk=disk)
    recorder = recording.recorder
    recording.put(SAMPLES[:400])
    until(lambda: recorder.rows == 400)
    disk.room = 5000.5  # some bytes of a batch still go
    recording.put(SAMPLES[400:1450])
    until(lambda: recorder.rows + recorder.dropped == 1450)
    assert recorder.fault == "disk full"
    rows_before = recorder.rows
    assert kept_rows(recorder.path) == rows_before
    recorder.note("notice", topic="recording", text="stopped: disk full")

    disk.room = 1 << 16  # too little to go on with: it would be full again at once
    recording.put(SAMPLES[1450:1500])
    until(lambda: not recorder.waiting and recorder.dropped == 1500 - rows_before)
    assert stopped(recorder)

    disk.room = 1 << 30
    at = 1500
    while stopped(recorder):  # goes on where a row finds the new segment asked for
        recording.put(SAMPLES[at : at + 1])
        at += 1
        until(lambda: not recorder.waiting)
    recording.put(SAMPLES[at:])
    session = recording.close()

    assert not stopped(recorder)
    assert recorder.rows + recorder.dropped == len(SAMPLES)
    _, decided, blocks = read(session)
    missing = slice(rows_before, rows_before + recorder.dropped)
    kept = recording.decisions[: missing.start] + recording.decisions[missing.stop :]
    assert decided.tobytes() == decided_of(kept)
    assert blocks.cut == f"{recorder.dropped} rows were not recorded before samples-0002.arrow"
    assert any(note.get("text") == "stopped: disk full" for note in noted(session))
    result = review(session, None)
    assert result.reproduced is True  # the second segment says what the guard remembered
    assert "not whole" in "\n".join(in_words(result))


@pytest.mark.parametrize("seed", range(8))
def test_whatever_the_disk_does_what_is_there_is_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Room that comes and goes at random, segments of any size: no row lost unsaid, none wrong."""
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.0)
    monkeypatch.setattr(recorder_module, "FLUSH_S", 0.001)
    monkeypatch.setattr(recorder_module, "ROOM_TO_GO_ON", 20_000)
    rng = np.random.default_rng(seed)
    disk = FakeDisk()
    recording = Recording(tmp_path, disk=disk, segment_rows=int(rng.integers(20, 900)))
    recorder = recording.recorder
    at = 0
    while at < len(SAMPLES):
        more = int(rng.integers(1, 120))
        recording.put(SAMPLES[at : at + more])
        at += more
        until(lambda: not recorder.waiting)
        choices = np.array([disk.room, 0.0, float(rng.integers(0, 40_000)), 1e9])
        disk.room = float(rng.choice(choices))
    disk.room = 1e9
    session = recording.close()
    assert recorder.rows + recorder.dropped == len(SAMPLES)
    assert recorder.dropped > 0
    rows, decided, _ = read(session)
    assert len(rows) == recorder.rows
    kept = set(rows[:, 0].tolist())
    assert decided.tobytes() == decided_of([d for d in recording.decisions if d.time_s in kept])
    result = review(session, None)
    assert result.reproduced is True
    assert "not recorded" in str(result.cut)
    (entry,) = sessions_in(tmp_path)
    assert (entry.state, entry.not_recorded) == ("rows missing", recorder.dropped)


def test_a_disk_that_stays_full_ends_readable(tmp_path: Path) -> None:
    """The rows after the fault are counted, and missed at the end too."""
    disk = FakeDisk()
    recording = Recording(tmp_path, disk=disk)
    recording.put(SAMPLES[:300])
    until(lambda: recording.recorder.rows == 300)
    disk.room = 0
    recording.put(SAMPLES[300:500])
    session = recording.close()
    assert (recording.recorder.rows, recording.recorder.dropped) == (300, 200)
    result = review(session, None)
    assert (result.rows, result.reproduced) == (300, True)
    assert result.cut == "no end record: the recording was cut off"


def test_room_for_the_end_record_alone_tells_what_is_missing(tmp_path: Path) -> None:
    """Where rows no longer fit but the last lines do, the end record says how many are missing."""
    disk = FakeDisk()
    recording = Recording(tmp_path, disk=disk)
    recording.put(SAMPLES[:300])
    until(lambda: recording.recorder.rows == 300)
    disk.room = 1000
    recording.put(SAMPLES[300:500])
    until(lambda: recording.recorder.dropped == 200)
    disk.room = 1000
    session = recording.close()
    assert review(session, None).cut == "200 rows were not recorded at the end"


def test_a_disk_with_another_trouble_says_which(tmp_path: Path) -> None:
    """An input/output error is told in the system's own words."""
    disk = FakeDisk()
    recording = Recording(tmp_path, disk=disk)
    disk.room, disk.refusal = 0, errno.EIO
    recording.put(SAMPLES[:10])
    until(lambda: recording.recorder.fault is not None)
    assert recording.recorder.fault == os.strerror(errno.EIO).lower()
    recording.close()


def test_a_sync_that_hangs_holds_nothing_up(tmp_path: Path, monkeypatch: Any) -> None:
    """While a sync takes its time, rows go on reaching the system; at the end all is synced."""
    monkeypatch.setattr(recorder_module, "SYNC_S", 0.0)
    disk = FakeDisk()
    disk.sync_gate.clear()
    recording = Recording(tmp_path, disk=disk, segment_rows=50)
    for at in range(0, 200, 50):
        recording.put(SAMPLES[at : at + 50])
        until(partial(has_rows, recording, at + 50))
    assert disk.syncs == 0
    disk.sync_gate.set()
    session = recording.close()
    assert disk.syncs >= 7  # rig, about, four segments, events
    assert recording.recorder.fault is None
    assert kept_rows(session) == 200


def test_a_sync_that_fails_stops_recording(tmp_path: Path, monkeypatch: Any) -> None:
    """A disk that can't keep what it took is no disk to record on."""
    monkeypatch.setattr(recorder_module, "SYNC_S", 0.0)
    disk = FakeDisk()
    disk.sync_fault = OSError(errno.EIO, "Input/output error")
    recording = Recording(tmp_path, disk=disk)
    until(lambda: recording.recorder.fault == "input/output error")
    recording.close()


def test_rows_beyond_what_may_wait_are_dropped_newest_first(
    tmp_path: Path, monkeypatch: Any
) -> None:
    """Where the disk can't follow, the segment has no hole, and what is gone is counted."""
    monkeypatch.setattr(recorder_module, "MOST_PENDING", 100)
    monkeypatch.setattr(recorder_module, "FLUSH_S", 60.0)
    recording = Recording(tmp_path)
    recording.put(SAMPLES[:250])
    session = recording.close()
    assert (recording.recorder.rows, recording.recorder.dropped) == (100, 150)
    rows, _, blocks = read(session)
    assert rows[:, 0].tolist() == [sample.time_s for sample in SAMPLES[:100]]
    assert blocks.cut == "150 rows were not recorded at the end"


def test_an_append_is_whole_or_not_at_all(tmp_path: Path) -> None:
    """What a full disk took of an append is taken back; the next one stands right behind."""
    disk = FakeDisk(room=10)
    file = disk.create(tmp_path / "x")
    file.append(b"12345678")
    with pytest.raises(OSError, match="No space left"):
        file.append(b"abcdefgh")
    disk.room = 100
    file.append(b"90")
    file.close()
    assert (tmp_path / "x").read_bytes() == b"1234567890"
    assert file.size == 10
    with pytest.raises(FileExistsError):
        DiskFile(tmp_path / "x")


def test_a_small_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    """A write that fails leaves the old one, and nothing beside it."""
    write_whole(tmp_path / "a", b"old")
    (tmp_path / "a.new").mkdir()
    with pytest.raises(OSError, match=r"a\.new"):
        write_whole(tmp_path / "a", b"new")
    assert (tmp_path / "a").read_bytes() == b"old"


# --- nothing is overwritten -----------------------------------------------------------------------


def watch(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run ``flowdebt watch`` on a short simulated drive, as a process."""
    return subprocess.run(
        [
            *(sys.executable, "-c", "from monitor.cli import main; main()"),
            *("watch", "sim:pump_stop", "--text", "--speed", "0", *arguments),
        ],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Path]:
    """A folder nobody may write to: a read-only mount where we are root, else by its mode."""
    folder = tmp_path / "frozen"
    folder.mkdir()
    if hasattr(os, "getuid") and os.getuid() == 0:
        if not mounted(folder, "ro,size=64k"):
            pytest.skip("root may write anywhere, and mounting is not permitted")
        yield folder
        subprocess.run(["umount", str(folder)], check=True)
    else:
        folder.chmod(0o500)
        yield folder
        folder.chmod(0o700)


def test_a_read_only_folder_is_one_clear_error(read_only: Path, monkeypatch: Any) -> None:
    """Where sessions can't be recorded, the watch does not begin: one line, exit code 2."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(read_only.parent / "run"))
    done = watch("--record", str(read_only / "sessions"))
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"flowdebt: {read_only}/sessions: found ")
    assert line.endswith("expected a folder that sessions can be recorded in")


def test_a_file_in_place_of_the_folder_is_one_clear_error(tmp_path: Path) -> None:
    """A file is left as it is."""
    (tmp_path / "sessions").write_text("precious", encoding="utf-8")
    with pytest.raises(BadInput, match="expected a folder that sessions can be recorded in"):
        Recorder(tmp_path / "sessions", BRINDLE, "test")
    assert (tmp_path / "sessions").read_text(encoding="utf-8") == "precious"


def test_a_folder_of_the_same_name_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever stands under the name a session would get, the session gets another."""
    monkeypatch.setattr("monitor.recorder.folder.stamp", lambda: "2026-01-31T12-00-00Z")
    taken = [tmp_path / f"2026-01-31T12-00-00Z-brindle-1-8{end}" for end in ("", "-2", "-3")]
    taken[0].mkdir()
    (taken[0] / "samples-0001.arrow").write_bytes(b"precious")
    taken[1].write_bytes(b"a file")
    taken[2].symlink_to(tmp_path / "nowhere")
    session = record(tmp_path, SAMPLES[:10])
    assert session.name == "2026-01-31T12-00-00Z-brindle-1-8-4"
    assert (taken[0] / "samples-0001.arrow").read_bytes() == b"precious"
    assert taken[1].read_bytes() == b"a file"
    assert not (tmp_path / "nowhere").exists()


def test_a_disk_full_from_the_start_leaves_nothing_behind(tmp_path: Path) -> None:
    """A session that can't begin is one clear error, and its folder is gone again."""
    rig_bytes = len(BRINDLE.text.encode())
    for room in (0, rig_bytes - 1, rig_bytes + 1, rig_bytes + 500):
        with pytest.raises(BadInput, match="expected a folder that sessions"):
            Recorder(tmp_path, BRINDLE, "test", disk=FakeDisk(room))
        assert list(tmp_path.iterdir()) == []


def test_a_real_disk_runs_full_and_is_cleared(tmp_path: Path, monkeypatch: Any) -> None:
    """On a disk of 3 MB in memory: stops when it is full, resumes when a file is removed."""
    folder = tmp_path / "small"
    folder.mkdir()
    if sys.platform != "linux" or not mounted(folder, "size=3m"):
        pytest.skip("mounting is not permitted here")
    try:
        monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
        ballast = folder / "ballast"
        ballast.write_bytes(bytes(2_400_000))
        recording = Recording(folder)
        recorder = recording.recorder
        laps = 0
        while not stopped(recorder):
            recording.put(lap(laps))
            laps += 1
            until(lambda: not recorder.waiting)
        assert recorder.fault == "disk full"
        assert kept_rows(recorder.path) == recorder.rows > 500
        ballast.unlink()
        while stopped(recorder):
            recording.put(lap(laps)[:10])
            laps += 1
            until(lambda: not recorder.waiting)
        session = recording.close()
        result = review(session, None)
        assert result.reproduced is True
        assert result.rows <= kept_rows(session) == recorder.rows  # ticks are no readings
        assert f"{recorder.dropped} rows were not recorded before samples-0002.arrow" in str(
            result.cut
        )
        end = (session / layout.EVENTS).read_text(encoding="utf-8").splitlines()[-1]
        assert json.loads(end)["dropped"] == recorder.dropped
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def lap(count: int) -> list[Sample]:
    """Return the samples of a lap, each behind the other in time."""
    return [s._replace(time_s=s.time_s + 24.0 * count) for s in SAMPLES]
