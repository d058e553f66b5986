"""A folder's sessions at a glance: from summaries, and from rows where those are old or missing."""

import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import pyarrow as pa

from monitor.recorder import layout
from monitor.recorder.reader import is_session, open_segment, read_about, read_notes
from monitor.recorder.span import counted
from monitor.recorder.summary import Summary, read_summary
from simulator.strict import BadInput, clean, unusable


@dataclass(frozen=True, slots=True)
class Entry:
    """One session of a list.

    Attributes:
        session: Its folder.
        started: Date and time (UTC), ``2026-01-31T12-00-00Z``; empty where that can't be read.
        rig: Rig's name.
        source: What was recorded.
        length_s: How long the drive is; None without samples.
        samples: Rows recorded that hold a reading.
        events: Events raised.
        worst_action: The worst action of any.
        state: ``complete``; ``rows missing`` (they were not recorded then); ``cut off`` (no end
            record); ``damaged`` (not as it was left); ``recording``; ``unreadable``.
        why: Why it ended, or can't be read.
        not_recorded: Rows that could not be recorded.
        bytes: Size on disk.
    """

    session: str
    started: str = ""
    rig: str = ""
    source: str = ""
    length_s: float | None = None
    samples: int = 0
    events: int = 0
    worst_action: str = "no_action"
    state: str = "unreadable"
    why: str = ""
    not_recorded: int = 0
    bytes: int = 0


def sessions_in(folder: Path, running: Collection[int] = ()) -> list[Entry]:
    """Return a folder's sessions, newest first.

    Args:
        folder: The folder sessions are recorded in, or one session.
        running: Processes of guards that are running now.

    Raises:
        BadInput: No folder that can be read.
    """
    try:
        paths = [folder] if is_session(folder) else [Path(e) for e in os.scandir(folder)]
    except OSError as error:
        raise unusable(folder, error, "a folder with sessions") from None
    entries = [_entry(path, running) for path in paths if is_session(path)]
    # Those of one second have numbers behind their names, the newest the longest or the last.
    return sorted(entries, key=lambda e: (e.started, len(e.session), e.session), reverse=True)


def _entry(path: Path, running: Collection[int]) -> Entry:
    size = segment_bytes = 0
    for file in os.scandir(path):
        try:
            count = file.stat(follow_symlinks=False).st_size
        except OSError:  # gone since
            continue
        size += count
        if fnmatchcase(file.name, layout.SAMPLES_GLOB):
            segment_bytes += count
    try:
        about = read_about(path)
    except BadInput as error:
        return Entry(str(path), why=str(error), bytes=size)
    summary = read_summary(path)
    if summary is None or not summary.ended:
        summary = read_through(path, summary)
    elif summary.whole_bytes != segment_bytes:
        summary = read_through(path, None)
        return _told(path, about, summary, "damaged", size)
    if not summary.ended:
        state = "recording" if about.get("pid") in running else "cut off"
    else:
        state = "rows missing" if summary.dropped else "complete"
    return _told(path, about, summary, state, size)


def _told(path: Path, about: dict[str, Any], summary: Summary, state: str, size: int) -> Entry:
    return Entry(
        session=str(path),
        started=clean(str(about.get("started", "")), 32),
        rig=clean(str(about.get("rig", ""))),
        source=clean(str(about.get("source", "")), 120),
        length_s=summary.length_s,
        samples=summary.readings or 0,
        events=summary.events,
        worst_action=clean(summary.worst_action, 32),
        state=state,
        why=clean(summary.why, 120),
        not_recorded=summary.dropped,
        bytes=size,
    )


def read_through(path: Path, old: Summary | None) -> Summary:
    """Return a session's figures from its rows and events.

    Args:
        path: The session.
        old: An older summary; the segments it counts as whole are not read again.
    """
    found = Summary()
    segments = layout.segments_of(path)
    if old is not None and 0 < old.whole_segments <= len(segments):
        found = old.as_of_whole_segments()
        segments = segments[old.whole_segments :]
    for segment in segments:
        for rows in _batches(segment):
            found.take(rows)
    found.ended = False
    for note in read_notes(path):
        found.count(note)
        if note.ends:
            found.ended = found.rows == note.rows
            found.why = note.why
            found.dropped = note.dropped
    return found


def _batches(segment: Path) -> Iterator[Any]:
    """Yield each batch's samples, (n, ROW_WIDTH), to the segment's end or cut."""
    try:
        with open_segment(segment) as stream:
            for batch in stream:
                batch.validate()
                if batch.num_rows:
                    yield layout.samples_of_batch(batch)
    except (pa.ArrowException, OSError):
        return


def in_words(entries: list[Entry]) -> Iterator[str]:
    """Yield a list of sessions as lines for people."""
    for entry in entries:
        name = clean(Path(entry.session).name, 80)
        if entry.state == "unreadable":
            yield f"{name}  unreadable: {entry.why}"
            continue
        samples = counted(entry.samples, "sample")
        found = "nothing found"
        if not entry.samples:
            found = "nothing was judged"
        elif entry.state not in ("complete", "recording"):
            found = "nothing found in what is there"
        if entry.events:
            worst = entry.worst_action.replace("_", " ")
            found = f"{counted(entry.events, 'event')}, worst {worst}"
        state = entry.state
        if entry.not_recorded:
            state += f" ({counted(entry.not_recorded, 'row')} not recorded)"
        yield name
        yield f"    {entry.started}  {entry.rig}  {entry.source}"
        yield (
            f"    {length_in_words(entry.length_s)}, {samples}; {found}; {state}; "
            f"{size_in_words(entry.bytes)}"
        )


def length_in_words(length_s: float | None) -> str:
    """Return a length of time as people say it."""
    if length_s is None:
        return "no time"
    if abs(length_s) < 60.0:
        return f"{length_s:z.1f} s"
    minutes, seconds = divmod(round(length_s), 60)
    if minutes < 60:
        return f"{minutes} min {seconds:02d} s"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def size_in_words(count: int) -> str:
    """Return a size in kB, MB or GB."""
    for unit, size in (("GB", 1e9), ("MB", 1e6)):
        if count >= size:
            return f"{count / size:z.1f} {unit}"
    return f"{count / 1e3:z.1f} kB"
