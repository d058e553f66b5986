"""Reading a session back over all its segments, to its end or to where it was cut off."""

import contextlib
import json
import os
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import msgspec
import pyarrow as pa

from monitor.recorder import layout
from monitor.recorder.notes import Note
from monitor.source_facts import SourceStatistics
from simulator.rig import RigFile, renewed, rig_from_text
from simulator.strict import BadInput, called, checked_file, clean, open_file, read_text, unusable

BLOCK_ROWS: Final = 8192
_READ_BYTES: Final = 1 << 18
_MOST_TROUBLES: Final = 3
_decoder: Final = msgspec.json.Decoder(Note)
MOST_ABOUT: Final = 1 << 20  # bytes
LONGEST_NOTE: Final = 1 << 20
MOST_NOTES: Final = 100_000  # the newest; the end record is the last


def is_session(path: Path) -> bool:
    """Whether a path is a session's folder."""
    return path.is_dir() and os.path.lexists(path / layout.ABOUT)


class SessionBlocks:
    """Iterates over a session's samples as (n, ROW_WIDTH) matrices.

    Attributes:
        decided: Of the block last yielded, what was decided then: (n, len(DECIDED)).
        hole: Where rows are missing before the block last yielded: what the guard remembered behind
            them, empty where that isn't known; None where none are.
        rig_text: Of the block last yielded: text of the rig decided with, where the rig was changed
            while the guard ran; empty where it is the session's own.
        rig_changed: Whether that was so anywhere, as far as has been read.
        decided_by_older: Whether an older version's rules decided, as far as has been read: what
            they remembered is of no use, and today's may decide otherwise.

    Raises:
        BadInput: Not a session, or nothing in it can be read.
    """

    starts = time_remark = ""  # a session's times are as they were
    clock = None

    def __init__(self, path: Path) -> None:
        self.path = path
        self.statistics = SourceStatistics(connects=1)
        self.decided: Any = None
        self.hole: tuple[float, ...] | None = None
        self.rig_text = ""
        self.rig_changed = False
        self.decided_by_older = False
        if not is_session(path):
            raise BadInput(f"{called(path)}: found no {layout.ABOUT}, expected a session")
        self.about = read_about(path)
        self._troubles: list[str] = []
        self.notes = list(deque(read_notes(path, self._troubles), MOST_NOTES))
        self._no_end = not any(note.ends for note in self.notes)

    @property
    def cut(self) -> str | None:
        """Why the session is not whole, as far as has been read; None where it is."""
        troubles = self._troubles[:_MOST_TROUBLES]
        if len(self._troubles) > _MOST_TROUBLES:
            troubles.append(f"and {len(self._troubles) - _MOST_TROUBLES} more")
        if self._no_end:
            troubles.insert(0, "no end record: the recording was cut off")
        return "; ".join(troubles) or None

    def rig_file(self) -> RigFile:
        """Return the rig the session was decided with.

        Raises:
            BadInput: Its copy is missing or damaged.
        """
        path = self.path / layout.RIG
        return rig_from_text(renewed(read_text(path), str(path)).text, str(path))

    def __iter__(self) -> Iterator[Any]:
        """Yield the blocks, ending quietly at a cut (see ``cut``)."""
        at = dropped = 0
        for path in layout.segments_of(self.path):
            self.hole = None
            waiting: list[Any] = []
            count = 0
            try:
                with open_segment(path) as stream:
                    head = layout.head_of(stream.schema)
                    if layout.decided_by_older(layout.names_of(stream.schema)):
                        self.decided_by_older = True
                        head = None if head is None else head._replace(state=())
                    if head is not None:
                        self.hole = self._hole_before(path, head, at, dropped)
                        at, dropped = head.first_row, head.dropped
                        self.rig_text = renewed(head.rig, str(path)).text
                        self.rig_changed = self.rig_changed or bool(head.rig)
                    for batch in stream:
                        batch.validate()  # a damaged length must not have us read beyond its end
                        waiting.append(batch)
                        count += batch.num_rows
                        at += batch.num_rows
                        if count >= BLOCK_ROWS:
                            yield self._joined(waiting)
                            self.hole = None
                            waiting, count = [], 0
            except (pa.ArrowException, OSError) as error:
                self._troubles.append(f"{path.name} is cut off or damaged: {clean(str(error))}")
            if waiting:
                yield self._joined(waiting)
        end = next((note for note in self.notes if note.ends), None)
        if end is None:
            return
        if not self._troubles and end.rows != at:
            # A stream cut between two batches reads as if it were whole.
            self._troubles.append(f"found {at} rows, expected {end.rows} (end record)")
        if end.dropped > dropped:
            self._troubles.append(f"{rows_were(end.dropped - dropped)} not recorded at the end")

    def _hole_before(
        self, path: Path, head: layout.SegmentHead, at: int, dropped: int
    ) -> tuple[float, ...] | None:
        lost, not_recorded = head.first_row - at, head.dropped - dropped
        if lost:
            self._troubles.append(f"{rows_were(lost)} recorded before {path.name}, and gone")
        if not_recorded:
            self._troubles.append(f"{rows_were(not_recorded)} not recorded before {path.name}")
        # A session that goes on from one whose folder was moved lacks no row, but has a past.
        goes_on = head.first_row == 0 and bool(head.state)
        return head.state if lost or not_recorded or goes_on else None

    def _joined(self, batches: list[Any]) -> Any:
        table = pa.Table.from_batches(batches).combine_chunks()
        rows, self.decided = layout.rows_of_batch(table.to_batches()[0])
        self.statistics.received += len(rows)
        self.statistics.decoded += len(rows)
        return rows


@contextmanager
def open_segment(path: Path) -> Iterator[Any]:
    """Open a segment as a stream of batches.

    Raises:
        pa.ArrowInvalid: Not even its head is whole, or it has other columns than a segment.
        OSError: It can't be read.
    """
    with (
        pa.input_stream(checked_file(path), compression=None, buffer_size=_READ_BYTES) as file,
        pa.ipc.open_stream(file) as stream,
    ):
        always = (name for name in layout.DECIDED if name not in layout.LATER)
        needed = {"time_s", *(f"decided_{name}" for name in always)}
        try:
            names = set(layout.names_of(stream.schema))
        except UnicodeDecodeError:  # damaged where a name was
            names = set()
        if not needed.issubset(names) or any(field.type != pa.float64() for field in stream.schema):
            raise pa.ArrowInvalid("found other columns than a segment has")
        yield stream


def read_about(session: Path) -> dict[str, Any]:
    """Return what a session says of itself.

    Raises:
        BadInput: It doesn't, or in another format.
    """
    path = session / layout.ABOUT
    try:
        with open_file(path) as file:
            about = json.loads(file.read(MOST_ABOUT).decode())
    except OSError as error:
        raise unusable(path, error, "JSON") from None
    except (ValueError, RecursionError) as error:
        raise BadInput(f"{called(path)}: {clean(str(error))}, expected JSON") from None
    if not isinstance(about, dict) or about.get("format") != layout.FORMAT:
        raise BadInput(f'{called(path)}: expected format "{layout.FORMAT}"')
    return about


def read_notes(session: Path, troubles: list[str] | None = None) -> Iterator[Note]:
    """Yield the lines of a session's ``events.jsonl`` that can be read.

    Args:
        session: The session's folder.
        troubles: Takes in words why the file, or which line of it, was left out.
    """
    troubles = [] if troubles is None else troubles
    number = 0
    try:
        with open_file(session / layout.EVENTS) as file:
            whole = True
            while line := file.readline(LONGEST_NOTE):
                begins, whole = whole, line.endswith(b"\n")
                number += begins
                if not begins:
                    continue  # the rest of a line longer than any of ours
                if not whole and len(line) == LONGEST_NOTE:
                    troubles.append(
                        f"{layout.EVENTS}:{number}: found a line over {LONGEST_NOTE} bytes"
                    )
                    continue
                with contextlib.suppress(msgspec.MsgspecError, RecursionError):
                    # What isn't read is of a killed process, or nonsense.
                    yield _decoder.decode(line)
    except FileNotFoundError:  # no end record says it
        return
    except OSError as error:
        troubles.append(f"{layout.EVENTS}: found {(error.strerror or str(error)).lower()}")


def rows_were(count: int) -> str:
    """Return ``1 row was``, ``2 rows were``."""
    return "1 row was" if count == 1 else f"{count} rows were"
