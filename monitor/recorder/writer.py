"""Writing a session, on a thread of its own: the decision path only appends to a list."""

import hashlib
import json
import platform
import threading
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import msgspec
import pyarrow as pa

from monitor.clock import stamp
from monitor.recorder import layout
from rules.channels import Sample
from rules.state import Decision
from simulator.rig import RigFile
from simulator.strict import BadInput, called

FLUSH_S: Final = 0.05  # a killed process loses at most this, and what the batch under way takes
MOST_PENDING: Final = 200_000
_JSON_SAFE: Final = 2_000  # characters of one text in events.jsonl


class Recorder:
    """Records one session.

    ``put`` and ``note`` never wait. A thread writes what they left every ``FLUSH_S`` and hands it
    to the operating system, so that a killed process loses no more than that. Where the disk can't
    follow, the oldest pending rows go and are counted; where it fails, ``fault`` says so and the
    deciding goes on.

    Args:
        folder: Parent of the session's folder; made where it is missing.
        rig_file: The rig decided with; a copy is kept.
        source: One line that says what is recorded.

    Raises:
        BadInput: The folder can't be made or written.
    """

    def __init__(self, folder: Path, rig_file: RigFile, source: str) -> None:
        self.rows = 0
        self.dropped = 0
        self.fault: str | None = None
        self._channels = layout.recorded_channels(set(rig_file.columns))
        self._schema = layout.schema(self._channels)
        self._pending: list[tuple[Sample, Decision]] = []
        self._notes: list[dict[str, Any]] = []
        self._lock = threading.Lock()
        self._stop = threading.Event()
        try:
            self.path = self._make_folder(folder, rig_file)
            self._open(rig_file, source)
        except OSError as error:
            raise BadInput(
                f"{called(folder)}: found {error.strerror}, "
                "expected a folder that sessions can be recorded in"
            ) from None
        self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)
        self._thread.start()

    def put(self, sample: Sample, decision: Decision) -> None:
        """Record one stepped row."""
        self._pending.append((sample, decision))

    def note(self, kind: str, **facts: Any) -> None:
        """Record an event or a notice: one JSON line."""
        with self._lock:
            self._notes.append({"kind": kind, **facts})

    def close(self, **facts: Any) -> None:
        """Write what is pending and the end record. Call once, when nothing more will be put."""
        self._stop.set()
        self._thread.join()
        self._write()
        self.note("end", rows=self.rows, dropped=self.dropped, **facts)
        self._write()
        for file in (self._samples, self._file, self._events):
            try:
                file.close()
            except OSError as error:
                self.fault = self.fault or f"recording stopped: {error.strerror or error}"

    def _make_folder(self, folder: Path, rig_file: RigFile) -> Path:
        safe = "".join(c if c.isascii() and c.isalnum() else "-" for c in rig_file.rig.name)
        name = f"{stamp()}-{safe.strip('-').lower()[:32] or 'rig'}"
        for attempt in range(1, 1000):
            path = folder / (name if attempt == 1 else f"{name}-{attempt}")
            try:
                path.mkdir(parents=True)
            except FileExistsError:
                continue
            return path
        raise FileExistsError(17, "too many sessions of this second", str(folder))

    def _open(self, rig_file: RigFile, source: str) -> None:
        (self.path / layout.RIG).write_text(rig_file.text, encoding="utf-8", newline="")
        about = {
            "format": layout.FORMAT,
            "flowdebt": version("flowdebt"),
            "python": platform.python_version(),
            "pyarrow": pa.__version__,
            "rig": rig_file.rig.name,
            "rig_sha256": hashlib.sha256(rig_file.text.encode()).hexdigest(),
            "source": source,
            "started": stamp(),
        }
        (self.path / layout.ABOUT).write_text(json.dumps(about, indent=2) + "\n", encoding="utf-8")
        self._file = (self.path / "samples-0001.arrow").open("wb")
        self._samples = pa.ipc.new_stream(self._file, self._schema)
        self._file.flush()
        self._events = (self.path / layout.EVENTS).open("w", encoding="utf-8")

    def _work(self) -> None:
        while not self._stop.wait(FLUSH_S):
            self._write()

    def _write(self) -> None:
        rows = self._pending[:]  # copied, since put may append to the list at any moment
        del self._pending[: len(rows)]
        with self._lock:
            notes, self._notes = self._notes, []
        if self.fault is not None:
            self.dropped += len(rows)
            return
        if len(rows) > MOST_PENDING:
            self.dropped += len(rows) - MOST_PENDING
            rows = rows[-MOST_PENDING:]
        try:
            if rows:
                self._samples.write_batch(layout.batch_of(rows, self._channels, self._schema))
                self._file.flush()
                self.rows += len(rows)
            if notes:
                self._events.writelines(msgspec.json.encode(n).decode() + "\n" for n in notes)
                self._events.flush()
        except OSError as error:
            self.fault = f"recording stopped: {error.strerror or error}"
            self.dropped += len(rows)
