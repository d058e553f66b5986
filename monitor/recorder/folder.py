"""A session's folder while it is written: its files, and whether they are still where they stood.

A folder that is removed takes what is written with it, and no write fails: the files live on,
without a name, until they are closed. So somebody has to look.
"""

import contextlib
import json
import os
import platform
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path

import pyarrow as pa

from monitor.clock import stamp
from monitor.recorder import layout
from monitor.recorder.disk import Disk, DiskFile, folder_handle
from monitor.recorder.segments import Segments
from simulator.logfile import mapped
from simulator.rig import RigFile


class SessionFolder:
    """A new session's folder: copies of rig and versions, an open segment, and the events' file.

    Args:
        parent: Where it is made; made itself where it is missing.
        rig_file: The rig decided with at first; its columns are recorded.
        rig_text: Text of the rig decided with now.
        source: One line that says what is recorded.
        disk: Where files are made.
        dropped: Rows that could not be recorded before.
        state: What the guard remembers; empty where it has seen nothing.
        before: The folder this one goes on from: its name is not used again, so that nobody takes
            one for the other.

    Attributes:
        path: The folder.
        segments: Its rows.
        events: ``events.jsonl``.
        fault: Why nothing is recorded in it now, in a few words; None while all is well.
        handles: Of what is finished and not yet synced.

    Raises:
        OSError: It can't be; nothing of it is there then.
    """

    def __init__(
        self,
        parent: Path,
        rig_file: RigFile,
        rig_text: str,
        source: str,
        disk: Disk,
        *,
        dropped: int = 0,
        state: Sequence[float] = (),
        before: Path | None = None,
    ) -> None:
        self.fault: str | None = None
        self.handles: list[int] = []
        self.path = _made(parent, rig_file.rig.name, before)
        channels = mapped(rig_file.rig)
        self.segments = Segments(self.path, disk, channels)
        try:
            about = {
                "format": layout.FORMAT,
                "flowdebt": version("flowdebt"),
                "python": platform.python_version(),
                "pyarrow": pa.__version__,
                "rig": rig_file.rig.name,
                "rig_sha256": layout.rig_hash(rig_text),
                "source": source,
                "started": stamp(),
                "pid": os.getpid(),
            }
            for name, text in (
                (layout.RIG, rig_text),
                (layout.ABOUT, json.dumps(about, indent=2) + "\n"),
            ):
                file = disk.create(self.path / name)
                try:
                    file.append(text.encode())
                    self.handles.append(file.handle())
                finally:
                    file.close()
            self.segments.open(dropped, state)
            self.events: DiskFile = disk.create(self.path / layout.EVENTS)
        except OSError:
            self.take_away()
            raise

    def is_there(self) -> bool:
        """Whether the folder, its events and its open segment still are where they were made."""
        return self.events.is_there() and self.segments.is_there()

    def rows_gone(self) -> int:
        """Return how many of the rows written are no more; none where the folder was only moved."""
        if not self.path.is_dir() and self.events.links():
            return 0
        return self.segments.rows_gone()

    def handles_to_sync(self) -> list[int]:
        """Return handles to sync everything by that is not yet synced, the folder among them.

        Raises:
            OSError: There are no more handles to be had.
        """
        handles = [*self.segments.handles(), self.events.handle(), *folder_handle(self.path)]
        done, self.handles = self.handles, []
        return done + handles

    def take_away(self) -> None:
        """Take away a session that never began: our own folder, with only what we put there."""
        self.segments.finish()
        for handle in self.handles:
            os.close(handle)
        with contextlib.suppress(OSError):
            for path in self.path.iterdir():
                path.unlink()
            self.path.rmdir()


def _made(parent: Path, rig_name: str, before: Path | None) -> Path:
    safe = "".join(c if c.isascii() and c.isalnum() else "-" for c in rig_name)
    name = f"{stamp()}-{safe.strip('-').lower()[:32] or 'rig'}"
    parent.mkdir(parents=True, exist_ok=True)
    for attempt in range(1, 1000):
        path = parent / (name if attempt == 1 else f"{name}-{attempt}")
        if path == before:
            continue
        try:
            path.mkdir()
        except FileExistsError:
            continue
        return path
    raise FileExistsError(17, "too many sessions of this second", str(parent))
