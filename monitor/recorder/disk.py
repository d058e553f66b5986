"""Files that only grow, and a thread that syncs them: all the recorder wants of a disk."""

import contextlib
import errno
import os
import queue
import shutil
import threading
from pathlib import Path
from typing import Final

_FULL: Final = frozenset({errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)})
_sync = getattr(os, "fdatasync", os.fsync)  # not on every system


class DiskFile:
    """A new file that only grows.

    What ``append`` is given stands in it whole, or, where it fails, not at all. (Python's own
    buffered files keep what they could not write and try again at the next chance.)

    Attributes:
        size: Bytes in it.

    Raises:
        OSError: It can't be made; ``FileExistsError`` where there is one already.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size = 0
        self._file = path.open("xb", buffering=0)

    def append(self, data: bytes) -> None:
        """Write all of ``data``.

        Raises:
            OSError: It could not be; what was written of it is taken back.
        """
        rest = memoryview(data)
        try:
            while rest:
                count = self.write(rest)
                if count <= 0:
                    raise OSError(errno.EIO, "nothing was written")
                rest = rest[count:]
        except OSError:
            with contextlib.suppress(OSError):
                self._file.truncate(self.size)
                self._file.seek(self.size)
            raise
        self.size += len(data)

    def write(self, data: memoryview) -> int:
        """Write some of ``data``; return how many bytes."""
        return self._file.write(data) or 0

    def handle(self) -> int:
        """Return a file handle of its own for this file, to be closed by whoever asked."""
        return os.dup(self._file.fileno())

    def is_there(self) -> bool:
        """Whether this very file still stands at its path; what can't be said counts as yes."""
        try:
            return os.path.samestat(self.path.stat(), os.fstat(self._file.fileno()))
        except (FileNotFoundError, NotADirectoryError):
            return False
        except OSError:  # a network disk that is away, say: writing will tell
            return True

    def links(self) -> int:
        """Return how many names it has: none once it has been removed."""
        return os.fstat(self._file.fileno()).st_nlink

    def close(self) -> None:
        """Close it; harmless a second time.

        Raises:
            OSError: What network disks may say only now.
        """
        self._file.close()


class Disk:
    """The real disk."""

    def create(self, path: Path) -> DiskFile:
        """Make a new file.

        Raises:
            OSError: It can't be made, or is there already.
        """
        return DiskFile(path)

    def free_bytes(self, folder: Path) -> int:
        """Return how much room there is where a folder is, or would be; 0 where nobody can say."""
        there = next((path for path in (folder, *folder.parents) if path.is_dir()), folder)
        try:
            return shutil.disk_usage(there).free
        except OSError:
            return 0

    def sync(self, handle: int) -> None:
        """Wait until what was written to a file has reached the disk itself.

        Raises:
            OSError: It could not.
        """
        _sync(handle)


class Syncer:
    """Syncs files on a thread of its own.

    Under load a sync takes up to a second, in which nothing else should have to wait: not the
    deciding, and not the recorder's writing either, or a killed process would lose that second.
    """

    def __init__(self, disk: Disk) -> None:
        self._disk = disk
        self._asked: queue.SimpleQueue[list[int] | None] = queue.SimpleQueue()
        self._busy = threading.Event()
        self.count = 0
        self.fault: OSError | None = None
        self._thread = threading.Thread(target=self._work, name="recorder's sync", daemon=True)
        self._thread.start()

    @property
    def idle(self) -> bool:
        """Whether all that was asked for is done."""
        return not self._busy.is_set()

    def ask(self, handles: list[int]) -> None:
        """Have these file handles synced soon, and closed then."""
        self._busy.set()
        self._asked.put(handles)

    def finish(self, patience_s: float) -> None:
        """End once all that was asked for is done, or don't wait any longer for it."""
        self._asked.put(None)
        self._thread.join(patience_s)

    def _work(self) -> None:
        while (handles := self._asked.get()) is not None:
            for handle in handles:
                try:
                    self._disk.sync(handle)
                    self.count += 1
                except OSError as error:
                    self.fault = error
                finally:
                    os.close(handle)
            if self._asked.empty():
                self._busy.clear()


def folder_handle(folder: Path) -> list[int]:
    """Return a handle to sync a folder by: that a file is there at all; none on Windows."""
    try:
        return [os.open(folder, os.O_RDONLY)]
    except OSError:
        return []


def why_stopped(error: OSError) -> str:
    """Return an error's reason in a few words."""
    if error.errno in _FULL:
        return "disk full"
    return (error.strerror or str(error) or type(error).__name__).lower()


def write_whole(path: Path, data: bytes) -> None:
    """Write a small file so that whoever reads it finds the old one or the new one, never half.

    Raises:
        OSError: It could not be written; the old one, if any, is still there.
    """
    new = path.with_name(path.name + ".new")
    try:
        new.write_bytes(data)
        new.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            new.unlink()
        raise
