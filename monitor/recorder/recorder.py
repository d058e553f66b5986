"""Writing a session, on a thread of its own: the decision path only appends to a list."""

import contextlib
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import msgspec
import numpy as np

from monitor.clock import now_s
from monitor.recorder.disk import Disk, Syncer, why_stopped
from monitor.recorder.folder import SessionFolder
from monitor.recorder.notes import Note
from monitor.recorder.summary import Summary, write_summary
from rules.channels import Sample
from rules.learned import Learned
from rules.step.state import Decision
from simulator.rig import RigFile
from simulator.strict import BadInput, called, unusable

FLUSH_S: Final = 0.05  # a killed process loses at most this, and what the batch under way takes
SYNC_S: Final = 5.0  # a power cut loses at most about this
SUMMARY_S: Final = 30.0
RETRY_S: Final = 1.0
LOOK_S: Final = 0.5  # between two looks at whether the folder is still there
SEGMENT_ROWS: Final = 360_000  # an hour at 100 samples/s, some 60 MB
SEGMENT_S: Final = 3600.0
ROOM_TO_GO_ON: Final = 1 << 20  # bytes: less would be full again at once
MOST_PENDING: Final = 60_000
MOST_NOTES: Final = 10_000
FOLDER_GONE: Final = "its folder was removed or moved"
CLOSING_S: Final = 10.0  # patience with a disk that hangs

Pair = tuple[Sample, Decision]


FAILED: Final = "failed"  # as a guard calls that end


class _Turn(NamedTuple):
    """Among the pending rows: a new segment begins here; the guard remembers this.

    ``rig`` is the text of the rig from here on; empty where that stays as it is.
    """

    state: Sequence[float]
    rig: str = ""


class Recorder:
    """Records one session.

    ``put`` and ``note`` never wait. A thread writes what they left every ``FLUSH_S`` and hands it
    to the operating system, so that a killed process loses no more than that; another syncs it to
    the disk itself every ``SYNC_S`` and at the end.

    Where the disk fails, is full or can't follow, recording stops (``fault`` says why), rows are
    counted as dropped, and the deciding goes on. It is tried again every ``RETRY_S``; once there is
    room, recording goes on in a new segment. What is on disk is never touched again.

    Where the session's folder is removed while it is written, what was in it is counted as dropped,
    and recording goes on in a new session beside it.

    Args:
        folder: Parent of the session's folder; made where it is missing.
        rig_file: The rig decided with; a copy is kept.
        source: One line that says what is recorded.
        disk: Where files are made; the real one unless a test says otherwise.
        segment_rows: Rows a segment holds at most.
        segment_s: Time a segment covers at most (about), s.

    Attributes:
        dropped: Rows that could not be recorded.
        snapshot: Says what the guard remembers; asked in ``put``, where a new segment is to begin.
        learned: What the guard has learned of the car: for the summary, whenever that is written.

    Raises:
        BadInput: The folder can't be made or written, or its name is no text: no message could
            name it then.
    """

    def __init__(
        self,
        folder: Path,
        rig_file: RigFile,
        source: str,
        *,
        disk: Disk | None = None,
        segment_rows: int = SEGMENT_ROWS,
        segment_s: float = SEGMENT_S,
        state: Sequence[float] = (),
    ) -> None:
        try:
            str(folder).encode()
        except UnicodeEncodeError:
            raise BadInput(
                f"{called(folder)}: found a name not in UTF-8, expected a name in UTF-8"
            ) from None
        self.dropped = 0
        self.snapshot: Callable[[], Sequence[float]] | None = None
        self.learned: Learned | None = None
        self._disk = Disk() if disk is None else disk
        self._segment_rows = segment_rows
        self._segment_s = segment_s
        self._summary = Summary()
        self._pending: list[Pair | _Turn] = []
        self._since_turn = 0
        self._turn_due = False  # set by the thread, cleared by put
        self._turn_asked = False  # of the thread alone, as is the next
        self._next: _Turn | None = None
        self._rig = ""  # of the thread too: the text since the rig was changed
        self._notes: list[dict[str, Any]] = []
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._parent, self._rig_file, self._source = folder, rig_file, source
        self._gone = False  # whether the folder was taken away from under the recording
        self._kept = 0  # rows in folders before this one that are still there
        try:
            self._folder = SessionFolder(
                folder, rig_file, rig_file.text, source, self._disk, state=state
            )
        except OSError as error:
            raise unusable(folder, error, "a folder that sessions can be recorded in") from None
        now = self._opened_s = now_s()
        self._retry_s, self._sync_s = now, now + SYNC_S
        self._look_s = now + LOOK_S
        self._write_summary()
        self._syncer = Syncer(self._disk)
        self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)
        self._thread.start()

    @property
    def path(self) -> Path:
        """The session's folder; another one once that was removed."""
        return self._folder.path

    @property
    def fault(self) -> str | None:
        """Why recording has stopped, in a few words; None while all is well."""
        return self._folder.fault

    @property
    def standing(self) -> tuple[Path, str | None]:
        """``path`` and ``fault`` of one moment: asked one by one, they may be of two folders."""
        folder = self._folder
        return folder.path, folder.fault

    @property
    def rows(self) -> int:
        """Rows recorded, and still there as far as is known."""
        return self._kept + (0 if self._gone else self._folder.segments.rows)

    @property
    def waiting(self) -> int:
        """Rows put and not yet written: for whoever feeds it faster than life."""
        return len(self._pending)

    def put(self, sample: Sample, decision: Decision) -> None:
        """Record one stepped row."""
        self._pending.append((sample, decision))
        self._since_turn += 1
        if self._turn_due or self._since_turn >= self._segment_rows:
            self._turn_due = False
            self._since_turn = 0
            self._pending.append(_Turn(() if self.snapshot is None else self.snapshot()))

    def change(self, rig_file: RigFile) -> None:
        """Record by another rig from the next row on: a new segment begins, and brings its text."""
        self._since_turn = 0
        state = () if self.snapshot is None else self.snapshot()
        self._pending.append(_Turn(state, rig_file.text))

    def note(self, kind: str, **facts: Any) -> None:
        """Record an event or a notice: one JSON line."""
        with self._lock:
            if len(self._notes) < MOST_NOTES:
                self._notes.append({"kind": kind, **facts})

    def close(self, **facts: Any) -> None:
        """Write what is pending and the end record. Call once, when nothing more will be put."""
        self._stop.set()
        self._thread.join()
        self._look_at_folder()
        self._write()
        self._finish_segment()
        with self._lock:
            self._notes.append({"kind": "end", "rows": self.rows, "dropped": self.dropped, **facts})
        ended = self._write_notes()
        if facts.get("end") == FAILED and not (self.rows or self.dropped):
            # A source that could not even be opened.
            self._syncer.finish(CLOSING_S)
            with contextlib.suppress(OSError):
                self._folder.events.close()
            self._folder.take_away()
            return
        self._summary.ended = ended
        self._summary.why = str(facts.get("why", ""))
        self._write_summary()
        with contextlib.suppress(OSError):
            self._syncer.ask(self._folder.handles_to_sync())
        self._syncer.finish(CLOSING_S)
        self._look_at_syncs()
        try:
            self._folder.events.close()
        except OSError as error:
            self._folder.fault = self.fault or why_stopped(error)

    # --- the thread ---------------------------------------------------------------------------

    def _work(self) -> None:
        while not self._stop.wait(FLUSH_S):
            try:
                self._work_once()
            except Exception as error:  # noqa: BLE001 (a thread that dies tells nobody)
                self._stopped(_unforeseen(error))

    def _work_once(self) -> None:
        self._write()
        now = now_s()
        if now >= self._look_s:
            self._look_s = now + LOOK_S
            self._look_at_folder()
        self._ask_for_turn(now)
        if now >= self._sync_s and self._syncer.idle:
            self._look_at_syncs()
            self._sync_s = now + SYNC_S
            self._sync()
        if now >= self._summary_s:
            self._write_summary()

    def _ask_for_turn(self, now: float) -> None:
        if self._turn_asked or self._next is not None:
            return
        if self._folder.segments.is_open:
            self._turn_due = self._turn_asked = now - self._opened_s >= self._segment_s
        elif now >= self._retry_s:
            self._retry_s = now + RETRY_S
            if self._disk.free_bytes(self.path) >= ROOM_TO_GO_ON:
                self._turn_due = self._turn_asked = True

    def _write(self) -> None:
        pending = self._pending[:]  # copied, since put may append to the list at any moment
        del self._pending[: len(pending)]
        # What is cut off is the newest, so that a segment has no hole in it.
        too_many = pending[MOST_PENDING:]
        del pending[MOST_PENDING:]
        rows: list[Pair] = []
        for item in pending:
            if isinstance(item, _Turn):
                self._write_rows(rows)
                rows = []
                self._turn(item)
            else:
                rows.append(item)
        self._write_rows(rows)
        if too_many:
            self.dropped += sum(not isinstance(item, _Turn) for item in too_many)
            self._rig = next(
                (t.rig for t in too_many[::-1] if isinstance(t, _Turn) and t.rig), self._rig
            )
            self._stopped("the disk can't keep up")
        if self.fault is None:
            self._write_notes()

    def _write_rows(self, rows: list[Pair]) -> None:
        before = self.rows
        try:
            if rows and self._next is not None:
                self._begin(self._next)
            self._folder.segments.write(rows)
        except OSError as error:
            self._stopped(why_stopped(error))
        except Exception as error:  # noqa: BLE001 (as in _work; here the rows are counted)
            self._stopped(_unforeseen(error))
        written = self.rows - before
        self.dropped += len(rows) - written
        if written:
            self._summary.take(np.array([sample for sample, _ in rows[:written]]))

    def _turn(self, turn: _Turn) -> None:
        self._rig = turn.rig or self._rig
        self._turn_asked = False
        if self._folder.segments.is_open:
            if not (self._folder.segments.in_segment or turn.rig):
                return
            self._finish_segment()
        elif self._disk.free_bytes(self.path) < ROOM_TO_GO_ON:
            return
        self._next = turn  # begun when a row comes

    def _begin(self, turn: _Turn) -> None:
        if self._gone:
            self._begin_elsewhere(turn)
        else:
            self._folder.segments.open(self.dropped, turn.state, self._rig)
        self._next = None
        self._opened_s = now_s()
        self._folder.fault = None
        self._write_summary()

    def _look_at_folder(self) -> None:
        """Where the folder was removed, or its files were: count what is lost, go on elsewhere."""
        if self._gone or self._folder.is_there():
            return
        lost = self._folder.rows_gone()
        self._gone = True  # before the next line, or they would count twice for a moment
        self._kept += self._folder.segments.rows - lost
        self.dropped += lost
        self._stopped(FOLDER_GONE)
        if self._folder.events.links():  # moved, or not all of it removed: it ends here
            end = {"kind": "end", "rows": self._folder.segments.rows, "why": FOLDER_GONE}
            with contextlib.suppress(OSError):
                self._folder.events.append(msgspec.json.encode(end) + b"\n")
        self._turn_due = self._turn_asked = True

    def _begin_elsewhere(self, turn: _Turn) -> None:
        text = self._rig or self._rig_file.text
        new = SessionFolder(
            self._parent,
            self._rig_file,
            text,
            self._source,
            self._disk,
            dropped=self.dropped,
            state=turn.state,
            before=self.path,
        )
        before, self._folder = self._folder, new
        self._gone = False
        self._rig = ""  # it is the new session's own
        self._summary = Summary()
        self._syncer.ask(before.handles)
        with contextlib.suppress(OSError):
            before.events.close()

    def _finish_segment(self) -> None:
        with contextlib.suppress(OSError):
            self._folder.handles += self._folder.segments.handles()
        segments = self._folder.segments
        facts = segments.finish()
        self._summary.segment_finished(segments.whole, segments.whole_rows, segments.whole_bytes)
        if facts is not None and not self._gone:
            self.note("segment", **facts)

    def _stopped(self, why: str) -> None:
        self._finish_segment()
        self._turn_asked = False
        self._next = None
        self._retry_s = now_s() + RETRY_S
        self._folder.fault = why
        if not self._gone:  # nothing new in a folder while it is being removed: that would fail
            self._write_summary()

    def _write_notes(self) -> bool:
        with self._lock:
            notes, self._notes = self._notes, []
        if not notes:
            return True
        lines = [msgspec.json.encode(note) + b"\n" for note in notes]
        try:
            self._folder.events.append(b"".join(lines))
        except OSError as error:
            with self._lock:
                self._notes[:0] = notes
            self._stopped(why_stopped(error))
            return False
        for line in lines:
            self._summary.count(msgspec.json.decode(line, type=Note))
        return True

    def _write_summary(self) -> None:
        self._summary_s = now_s() + SUMMARY_S
        self._summary.dropped = self.dropped
        self._summary.learned = self.learned
        with contextlib.suppress(OSError):  # a list of sessions then reads what is there instead
            write_summary(self.path, self._summary)

    def _sync(self) -> None:
        try:
            self._syncer.ask(self._folder.handles_to_sync())
        except OSError as error:  # out of file handles: a recording must not take the last
            self._stopped(why_stopped(error))

    def _look_at_syncs(self) -> None:
        error, self._syncer.fault = self._syncer.fault, None
        if error is not None:
            self._stopped(why_stopped(error))


def _unforeseen(error: Exception) -> str:
    return f"unforeseen: {type(error).__name__}"
