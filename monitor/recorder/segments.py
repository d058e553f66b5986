"""A session's rows on disk: one Arrow IPC stream after another, each bounded."""

import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from monitor.recorder import layout
from monitor.recorder.disk import Disk, DiskFile
from rules.channels import Sample
from rules.step.state import Decision

MOST_ROWS_A_BATCH: Final = 8192


class Segments:
    """Writes rows to the segment that is open, if one is.

    Attributes:
        rows: Rows written, all segments together.
        in_segment: Rows in the open one.
        whole: Segments finished.
        whole_rows: Rows in those.
        whole_bytes: Their size.
    """

    def __init__(self, session: Path, disk: Disk, channels: tuple[str, ...]) -> None:
        self.rows = 0
        self.in_segment = 0
        self.whole = 0
        self.whole_rows = 0
        self.whole_bytes = 0
        self._session = session
        self._disk = disk
        self._channels = channels
        self._schema = layout.schema(channels)
        self._file: DiskFile | None = None
        self._finished: list[tuple[Path, int]] = []

    @property
    def is_open(self) -> bool:
        """Whether rows can be written."""
        return self._file is not None

    def open(self, dropped: int, state: Sequence[float], rig: str = "") -> None:
        """Begin the next segment.

        Args:
            dropped: Rows that could not be recorded before it.
            state: What the guard remembers just before it.
            rig: Text of the rig, where it is no longer the session's own.

        Raises:
            OSError: It can't be; there is no trace of it then.
        """
        path = self._session / layout.segment_name(self.whole + 1)
        head = layout.SegmentHead(self.rows, dropped, tuple(state), rig)
        file = self._disk.create(path)
        try:
            file.append(layout.with_head(self._schema, head).serialize().to_pybytes())
        except OSError:
            file.close()
            path.unlink(missing_ok=True)
            raise
        self._file = file
        self.in_segment = 0

    def write(self, rows: Sequence[tuple[Sample, Decision]]) -> int:
        """Write rows; return how many, fewer than all only where none is open.

        Raises:
            OSError: Not all could be written. ``rows`` (the attribute) says how many were.
        """
        if self._file is None:
            return 0
        for start in range(0, len(rows), MOST_ROWS_A_BATCH):
            some = rows[start : start + MOST_ROWS_A_BATCH]
            batch: Any = layout.batch_of(some, self._channels, self._schema)
            self._file.append(batch.serialize().to_pybytes())
            self.rows += len(some)
            self.in_segment += len(some)
        return len(rows)

    def is_there(self) -> bool:
        """Whether the open segment, if one is, still stands where it was made."""
        return self._file is None or self._file.is_there()

    def rows_gone(self) -> int:
        """Return how many of the rows written are in files that are no longer there."""
        gone = sum(rows for path, rows in self._finished if not path.exists())
        if self._file is not None and not self._file.links():
            gone += self.in_segment
        return gone

    def handles(self) -> list[int]:
        """Return a handle to sync the open segment by; none where none is open."""
        return [] if self._file is None else [self._file.handle()]

    def finish(self) -> dict[str, Any] | None:
        """End the open segment; return facts about it, None where none is open.

        That its end can't be written (a full disk) does no harm: it reads to its last row.
        """
        if self._file is None:
            return None
        file, self._file = self._file, None
        with contextlib.suppress(OSError):
            file.append(layout.END_OF_STREAM)
        with contextlib.suppress(OSError):
            file.close()
        self._finished.append((file.path, self.in_segment))
        self.whole += 1
        self.whole_rows = self.rows
        self.whole_bytes += file.size
        return {"file": file.path.name, "rows": self.in_segment, "bytes": file.size}
