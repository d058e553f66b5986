"""A person's marks on a log: JSON lines beside it, only ever added to."""

import contextlib
import json
import os
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from typing import Any, Final, Protocol

from monitor.words.literal import plain
from simulator.strict import BadInput, called, checked_file, clean, open_file, unusable

IN_SESSION: Final = "marks.jsonl"
BESIDE: Final = ".marks.jsonl"
MOST_BYTES: Final = 4 << 20
LONGEST_LINE: Final = 8192
LONGEST_TEXT: Final = 400
LONGEST_WHO: Final = 60
MOST_FAULTS: Final = 20


class MarkedLog(Protocol):
    """What marks are kept beside: an opened log, or where one lies."""

    @property
    def path(self) -> Path:
        """Session's folder, or the log's file."""

    @property
    def session(self) -> bool:
        """Whether it is a session."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark.

    Attributes:
        number: Its line in the file, from 1; so no two are alike, and none is used again.
        time_s: Where it stands on the axis.
        text: What it says; one line, at most 400 characters.
        who: Who set it; at most 60.
    """

    number: int
    time_s: float
    text: str
    who: str


@dataclass(slots=True)
class Marks:
    """What a file of marks holds.

    Attributes:
        marks: Those standing, by time.
        faults: Lines that can't be read, one sentence each (at most 20); they stay in the file.
    """

    marks: list[Mark] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def marks_path(log: MarkedLog) -> Path:
    """Return where a log's marks are kept: in a session's folder, or beside a log."""
    path = log.path
    return path / IN_SESSION if log.session else path.with_name(path.name + BESIDE)


def read_marks(log: MarkedLog) -> Marks:
    """Read a log's marks; none where there is no file.

    Raises:
        BadInput: The file is there and can't be read, or is larger than any of ours.
    """
    path = marks_path(log)
    try:
        with open_file(path) as file:
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        return Marks()
    except OSError as error:
        raise unusable(Path(path.name), error, "marks, as JSON lines") from None
    if len(raw) > MOST_BYTES:
        raise BadInput(
            f"{called(path.name)}: found a larger file, expected at most {MOST_BYTES} bytes"
        )
    return _parsed(raw, called(path.name))


def add_mark(log: MarkedLog, time_s: float, text: str, who: str) -> Mark:
    """Add a mark.

    Raises:
        BadInput: No text, a time that is no number, too many marks, or the file can't be written.
    """
    if not isfinite(time_s):
        raise BadInput(f"mark: found {time_s}, expected a time in s")
    text, who = plain(text, LONGEST_TEXT).strip(), plain(who, LONGEST_WHO).strip()
    if not text:
        raise BadInput("mark: found no text, expected some")
    number = _append(log, {"kind": "mark", "time_s": time_s, "text": text, "who": who})
    return Mark(number, time_s, text, who)


def remove_mark(log: MarkedLog, number: int, who: str) -> None:
    """Take a mark away; its line stays, and one that says so is added.

    Raises:
        BadInput: No such mark, or the file can't be written.
    """
    if number not in {mark.number for mark in read_marks(log).marks}:
        raise BadInput(f"mark: found no mark {number}, expected one that stands")
    _append(log, {"kind": "removed", "line": number, "who": plain(who, LONGEST_WHO).strip()})


def _parsed(raw: bytes, name: str) -> Marks:
    found = Marks()
    standing: dict[int, Mark] = {}
    lines = raw.split(b"\n")
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            if len(line) > LONGEST_LINE:
                raise ValueError("a longer line than any of ours")
            fact = json.loads(line.decode())
            if not isinstance(fact, dict):
                raise ValueError("no object")
            if fact.get("kind") == "removed":
                if standing.pop(_whole(fact.get("line")), None) is None:
                    raise ValueError("a mark taken away that isn't there")
                continue
            standing[number] = _mark(number, fact)
        except (ValueError, RecursionError) as error:
            if len(found.faults) < MOST_FAULTS:
                found.faults.append(
                    f"{name}:{number}: found {clean(str(error))}, expected a mark; the line is kept"
                )
    found.marks = sorted(standing.values(), key=lambda mark: (mark.time_s, mark.number))
    return found


def _mark(number: int, fact: dict[str, Any]) -> Mark:
    time_s, text, who = fact.get("time_s"), fact.get("text"), fact.get("who", "")
    if fact.get("kind") != "mark" or not isinstance(text, str) or not isinstance(who, str):
        raise ValueError("another kind of line")
    if isinstance(time_s, bool) or not isinstance(time_s, int | float) or abs(time_s) > 1e300:
        raise ValueError("no time")
    if not isfinite(time_s):
        raise ValueError("a time that is no number")
    return Mark(number, float(time_s), plain(text, LONGEST_TEXT), plain(who, LONGEST_WHO))


def _whole(value: Any) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else 0


def _append(log: MarkedLog, fact: dict[str, Any]) -> int:
    """Add a line, on the disk when this returns; return its number."""
    path = marks_path(log)
    line = json.dumps(fact, ensure_ascii=False, allow_nan=False).encode() + b"\n"
    try:
        with contextlib.suppress(FileNotFoundError):  # then it is made
            checked_file(path)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        with os.fdopen(handle, "rb+", buffering=0) as file:
            size = file.seek(0, os.SEEK_END)
            if size + len(line) + 1 > MOST_BYTES:
                raise BadInput(
                    f"{called(path.name)}: found no room, expected at most {MOST_BYTES} bytes"
                )
            if size:
                file.seek(size - 1)
                if file.read(1) != b"\n":  # the last line was cut off; it stays as it is
                    line = b"\n" + line
            file.write(line)  # one write: two programs' lines don't mix
            end = file.tell()
            os.fsync(file.fileno())
            file.seek(0)
            return file.read(end).count(b"\n")
    except OSError as error:
        raise unusable(Path(path.name), error, "a file to write to") from None
