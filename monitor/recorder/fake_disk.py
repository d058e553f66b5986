"""A disk with as much room as a test says: real files, but their growth can be stopped."""

import errno
import os
import threading
from pathlib import Path

from monitor.recorder.disk import Disk, DiskFile


class FakeDisk(Disk):
    """A disk that runs full, or whose syncs fail or hang.

    Attributes:
        room: Bytes that may still be written; what goes beyond is written up to there, then fails,
            as a real disk does it.
        refusal: Error number that writing fails with.
        sync_fault: Raised by each sync; None for none.
        sync_gate: Syncs wait until it is set.
        syncs: Syncs done or failed.
    """

    def __init__(self, room: float = float("inf")) -> None:
        self.room = room
        self.refusal = errno.ENOSPC
        self.sync_fault: OSError | None = None
        self.sync_gate = threading.Event()
        self.sync_gate.set()
        self.syncs = 0

    def create(self, path: Path) -> DiskFile:
        """Make a new file that shares this disk's room."""
        return _FakeFile(path, self)

    def free_bytes(self, folder: Path) -> int:
        """Return the room left."""
        return int(min(self.room, 1 << 40))

    def sync(self, handle: int) -> None:
        """Count; wait or fail as told."""
        self.sync_gate.wait()
        self.syncs += 1
        if self.sync_fault is not None:
            raise self.sync_fault


class _FakeFile(DiskFile):
    def __init__(self, path: Path, disk: FakeDisk) -> None:
        super().__init__(path)
        self._disk = disk

    def write(self, data: memoryview) -> int:
        """Write what there is room for."""
        count = int(min(len(data), self._disk.room))
        if count <= 0:
            raise OSError(self._disk.refusal, os.strerror(self._disk.refusal))
        written = super().write(data[:count])
        self._disk.room -= written
        return written
