"""What a proof has finished, kept in a folder, so that the same command goes on where it was."""

import hashlib
import json
from math import inf, isfinite
from pathlib import Path
from typing import Any, Final

import msgspec

from simulator.proof.false_pulls import Watched
from simulator.proof.outcomes import CHUNK, Outcome
from simulator.proof.proving import HEALTHY, Came, Job
from simulator.strict import BadInput, called, open_file, unusable, write_whole

ABOUT: Final = "about.json"
MOST_BYTES: Final = 1 << 22  # of a file
_HASH: Final = 16
_HEALTHY: Final = "healthy"  # its jobs' files
# What has to be as it was, and how a message calls it.
_SAME: Final = {
    "requirements_sha256": "other requirements",
    "rig_sha256": "another rig",
    "car_sha256": "another car",
    "version": "another version of flowdebt",
    "code": "other rules or another simulated car",
    "device": "another device",
}


class _Kept(msgspec.Struct, frozen=True):
    """A finished job's file. Of: a hash of what it belongs to. Outcomes: of its runs or drives."""

    of: str
    outcomes: list[list[int | float | None]]


class Store:
    """A folder of finished jobs; each has a file, written whole or not at all.

    Args:
        folder: The folder; it is made where there is none.
        about: What the proof is about, as in its JSON.
        chunk: Runs a job has.

    Raises:
        BadInput: It holds something else, or can't be used.
    """

    def __init__(self, folder: Path, about: dict[str, Any], chunk: int = CHUNK) -> None:
        self._folder = folder
        self._chunk = chunk
        text = json.dumps(about, sort_keys=True)
        self._of = hashlib.sha256(text.encode()).hexdigest()[:_HASH]
        try:
            folder.mkdir(parents=True, exist_ok=True)
            there = {path.name for path in folder.iterdir()}
        except (OSError, ValueError) as error:
            raise unusable(folder, error, "a folder for finished runs") from None
        if ABOUT in there:
            self._check(about)
        elif any(not name.startswith(".") for name in there):
            raise BadInput(
                f"{called(folder)}: found a folder with other things in it, expected an empty one, "
                "or one of finished runs"
            )
        else:
            self._write(ABOUT, text.encode())

    def kept(self) -> dict[Job, Came]:
        """Return what was finished before; a file that is torn or of something else is none."""
        found: dict[Job, Came] = {}
        for path in sorted(self._folder.glob("*-*.json")):
            row, _, chunk = path.stem.partition("-")
            if chunk.isdecimal() and (row == _HEALTHY or row.isdecimal()):
                job = Job(HEALTHY if row == _HEALTHY else int(row), int(chunk))
                came = self._read(path, job)
                if came is not None:
                    found[job] = came
        return found

    def keep(self, job: Job, came: Came) -> None:
        """Keep a finished job.

        Raises:
            BadInput: It can't be written.
        """
        rows = [[x if isfinite(x) else None for x in one] for one in came]
        row = _HEALTHY if job.row == HEALTHY else str(job.row)
        self._write(f"{row}-{job.chunk}.json", msgspec.json.encode(_Kept(self._of, rows)))

    def _read(self, path: Path, job: Job) -> Came | None:
        try:
            with open_file(path) as file:
                kept = msgspec.json.decode(file.read(MOST_BYTES), type=_Kept)
            rows = [[inf if x is None else x for x in row] for row in kept.outcomes]
            of_run = [Outcome._make(row) for row in rows if job.row != HEALTHY]
            of_drive = [Watched.of(row) for row in rows if job.row == HEALTHY]
        except (OSError, ValueError, TypeError, msgspec.MsgspecError):
            return None
        return (of_drive or of_run) if kept.of == self._of and len(rows) == self._chunk else None

    def _check(self, about: dict[str, Any]) -> None:
        path = self._folder / ABOUT
        try:
            with open_file(path) as file:
                found = msgspec.json.decode(file.read(MOST_BYTES), type=dict[str, Any])
        except (OSError, msgspec.MsgspecError) as error:
            raise unusable(path, error, "what a proof was about") from None
        for key, what in _SAME.items():
            if found.get(key) != about.get(key):
                raise BadInput(
                    f"{called(self._folder)}: found finished runs of {what}, expected those of "
                    "this proof: remove the folder, or take another one (--to)"
                )

    def _write(self, name: str, raw: bytes) -> None:
        target = self._folder / name
        try:
            write_whole(target, raw)
        except OSError as error:
            raise unusable(target, error, "a file to write") from None
