"""What an earlier session learned of a car, found again for the next one."""

import os
from pathlib import Path
from typing import Any, Final, NamedTuple

import pyarrow as pa

from monitor.recorder import layout
from monitor.recorder.reader import is_session, open_segment, read_about
from monitor.recorder.summary import read_summary
from rules.learned import COUNTS_S, ENOUGH_S, Learned
from simulator.rig import RigFile, renewed, rig_from_text, sensor_changes
from simulator.strict import BadInput, called, clean, read_text, unusable

_TOLD: Final = 3  # of what differs


class Restored(NamedTuple):
    """What is known of a car from another session; None where nothing is, and why, in words."""

    learned: Learned | None
    words: str


def restored_from(path: Path, rig_file: RigFile) -> Restored:
    """Return what was learned of a rig's car.

    Args:
        path: A session; or a folder of sessions, of which the newest of a rig of this name counts
            that learned enough.
        rig_file: The rig to decide with.

    Raises:
        BadInput: Neither, or it can't be read.
    """
    if is_session(path):
        about, learned = read_about(path), _learned(path)
        if learned is None:
            return _nothing(f"{called(path.name)} learned in less than {ENOUGH_S:z.0f} s of spray")
        return _of_session(path, about, learned, rig_file)
    for session in _newest_first(path):
        learned = _learned(session)
        if learned is None:
            continue
        try:
            about = read_about(session)
        except BadInput:
            continue
        if about.get("rig") == rig_file.rig.name:
            return _of_session(session, about, learned, rig_file)
    name = clean(rig_file.rig.name, 80)
    return _nothing(f"no session of {name} in {called(path)} that learned enough")


def _of_session(
    session: Path, about: dict[str, Any], learned: Learned, rig_file: RigFile
) -> Restored:
    differs = sensor_changes(_rig_of(session), rig_file)
    if differs:
        words = ", ".join(change.words for change in differs[:_TOLD])
        more = f" and {len(differs) - _TOLD} more" if len(differs) > _TOLD else ""
        return _nothing(f"the rig has changed since {called(session.name)}: {words}{more}")
    started = clean(str(about.get("started", "")), 32)
    return Restored(learned, f"restored from {called(session.name)} ({started}): {_words(learned)}")


def _nothing(why: str) -> Restored:
    return Restored(None, f"nothing restored: {why}")


def _words(learned: Learned) -> str:
    parts = []
    if learned.learned_s >= ENOUGH_S:
        parts.append(
            f"flow reads {learned.gain:z.2f} of the rig's, noise {100.0 * learned.noise:z.1f} %, "
            f"learned in {learned.learned_s:z.0f} s of spraying"
        )
    if learned.line_learned_s >= ENOUGH_S:
        parts.append(
            f"line pressure {learned.line_gain:z.2f}, noise {100.0 * learned.line_noise:z.1f} %, "
            f"in {learned.line_learned_s:z.0f} s"
        )
    return f"{'; '.join(parts)}; counts as no more than {COUNTS_S:z.0f} s"


def _learned(session: Path) -> Learned | None:
    summary = read_summary(session)
    learned = None if summary is None else summary.learned
    return learned if learned is not None and learned.is_enough else None


def _newest_first(folder: Path) -> list[Path]:
    """Return a folder's sessions; their names begin with when they began."""
    try:
        paths = [Path(entry) for entry in os.scandir(folder)]
    except OSError as error:
        raise unusable(folder, error, "a session or a folder of sessions") from None
    sessions = [path for path in paths if is_session(path)]
    return sorted(sessions, key=lambda path: (path.name[:20], len(path.name), path.name))[::-1]


def _rig_of(session: Path) -> RigFile:
    """Return the rig that a session was last decided with.

    Raises:
        BadInput: It can't be read.
    """
    text = ""
    segments = layout.segments_of(session)
    if segments:
        try:
            with open_segment(segments[-1]) as stream:
                head = layout.head_of(stream.schema)
        except (pa.ArrowException, OSError):
            head = None
        text = "" if head is None else head.rig
    path = session / layout.RIG
    return rig_from_text(renewed(text or read_text(path), str(path)).text, str(path))
