"""Sessions for tests: recorded as the guard does it, whole, in segments, or against a full disk."""

import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks
from monitor.recorder.recorder import Recorder
from monitor.sources.align import Aligner
from rules.channels import Sample
from rules.guard import Guard
from rules.step.state import Decision
from simulator.rig import RigFile, find_rig, load_rig
from tests.kit.decisions import matrix_of
from tests.kit.patience import until

BRINDLE = load_rig(find_rig("brindle"))
DECIDED_AT = [Decision.names().index(name) for name in layout.DECIDED]


class Recording:
    """A recorder with a guard before it.

    Attributes:
        recorder: The recorder.
        decisions: Everything decided, in order.
    """

    def __init__(self, folder: Path, rig_file: RigFile = BRINDLE, **options: Any) -> None:
        self.recorder = Recorder(folder, rig_file, "test", **options)
        self.decisions: list[Decision] = []
        self._guard = Guard(rig_file.rig)
        self._aligner = Aligner()
        self.recorder.snapshot = self._guard.state

    def put(self, samples: Sequence[Sample]) -> None:
        """Decide on samples, ticks put in, and record every stepped row."""
        for sample in samples:
            for row in self._aligner.admit(sample):
                self.decisions.append(self._guard.step(row))
                self.recorder.put(row, self.decisions[-1])

    def change(self, rig_file: RigFile) -> None:
        """Judge and record by another rig from the next row on."""
        self._guard.change(rig_file.rig)
        self.recorder.change(rig_file)

    def close(self) -> Path:
        """Finish; return the session's folder."""
        self.recorder.close(why="test")
        return self.recorder.path


def record(
    folder: Path, samples: Sequence[Sample], rig_file: RigFile = BRINDLE, **options: Any
) -> Path:
    """Record a whole session; return its folder."""
    recording = Recording(folder, rig_file, **options)
    recording.put(samples)
    path = recording.close()
    assert recording.recorder.fault is None
    return path


def has_rows(recording: Recording, count: int) -> bool:
    """Whether at least so many rows are recorded."""
    return recording.recorder.rows >= count


def read(session: Path) -> tuple[Any, Any, SessionBlocks]:
    """Return a session's rows, what was decided, and the reader at its end."""
    blocks = SessionBlocks(session)
    rows, decided = [], []
    for block in blocks:
        rows.append(block)
        decided.append(blocks.decided)
    return np.concatenate(rows), np.concatenate(decided), blocks


def decided_of(decisions: list[Decision]) -> bytes:
    """Return decisions as a session holds them, to compare to the last bit."""
    return matrix_of(decisions)[:, DECIDED_AT].tobytes()


def put_until_recorded(recording: Recording, samples: Sequence[Sample], at: int) -> int:
    """Put one row after the other until recording has not stopped any more; return the next."""
    while recording.recorder.fault is not None:
        recording.put(samples[at : at + 1])
        at += 1
        until(lambda: not recording.recorder.waiting)
    return at


def stopped(recorder: Recorder) -> bool:
    """Whether a recording has stopped."""
    return recorder.fault is not None


def kept_rows(session: Path) -> int:
    """Return how many rows a session's segments hold."""
    return sum(len(rows) for rows in SessionBlocks(session))


def mounted(folder: Path, options: str) -> bool:
    """Mount a small disk in memory; return whether that is permitted here."""
    try:
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)],
            capture_output=True,
            check=False,
        )
    except OSError:
        return False
    return done.returncode == 0


def noted(session: Path) -> list[dict[str, Any]]:
    """Return the lines of a session's ``events.jsonl``, all that is in them."""
    return [json.loads(line) for line in (session / layout.EVENTS).read_bytes().splitlines()]
