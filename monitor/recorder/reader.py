"""Reading a session back, to its end or to where it was cut off."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from monitor.recorder import layout
from monitor.sources.base import SourceStatistics
from simulator.rig import RigFile, load_rig
from simulator.strict import BadInput, called, clean

BLOCK_ROWS: Final = 8192


def is_session(path: Path) -> bool:
    """Whether a path is a session's folder."""
    return path.is_dir() and (path / layout.ABOUT).is_file()


class SessionBlocks:
    """Iterates over a session's samples as (n, ROW_WIDTH) matrices.

    Attributes:
        cut: Why the session ends before its end record; None where it doesn't.
        decided: Of the block last yielded, what was decided then: (n, len(DECIDED)).

    Raises:
        BadInput: Not a session, or nothing in it can be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.statistics = SourceStatistics(connects=1)
        self.decided: Any = None
        self.cut: str | None = None
        if not is_session(path):
            raise BadInput(f"{called(path)}: found no {layout.ABOUT}, expected a session")
        self.about = _about(path / layout.ABOUT)
        self.events = list(_events(path / layout.EVENTS))
        if not any(event.get("kind") == "end" for event in self.events):
            self.cut = "no end record: the recording was cut off"

    def rig_file(self) -> RigFile:
        """Return the rig the session was decided with.

        Raises:
            BadInput: Its copy is missing or damaged.
        """
        return load_rig(self.path / layout.RIG)

    def __iter__(self) -> Iterator[Any]:
        """Yield the blocks, ending quietly at a cut (see ``cut``)."""
        waiting: list[tuple[Any, Any]] = []
        for path in sorted(self.path.glob(layout.SAMPLES_GLOB)):
            try:
                with pa.OSFile(str(path)) as file, pa.ipc.open_stream(file) as stream:
                    for batch in stream:
                        waiting.append(layout.rows_of_batch(batch))
                        if sum(len(rows) for rows, _ in waiting) >= BLOCK_ROWS:
                            yield self._joined(waiting)
                            waiting = []
            except (pa.ArrowInvalid, OSError, KeyError) as error:
                self.cut = f"{path.name} is cut off or damaged: {clean(str(error))}"
        if waiting:
            yield self._joined(waiting)
        end = next((event for event in self.events if event.get("kind") == "end"), {})
        if self.cut is None and end.get("rows") != self.statistics.decoded:
            # A stream cut between two batches reads as if it were whole.
            self.cut = (
                f"found {self.statistics.decoded} rows, expected {end.get('rows')} (end record)"
            )

    def _joined(self, waiting: list[tuple[Any, Any]]) -> Any:
        rows = np.concatenate([rows for rows, _ in waiting])
        self.decided = np.concatenate([decided for _, decided in waiting])
        self.statistics.received += len(rows)
        self.statistics.decoded += len(rows)
        return rows


def _about(path: Path) -> dict[str, Any]:
    try:
        about = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise BadInput(f"{called(path)}: {clean(str(error))}, expected JSON") from None
    if not isinstance(about, dict) or about.get("format") != layout.FORMAT:
        raise BadInput(f'{called(path)}: expected format "{layout.FORMAT}"')
    return about


def _events(path: Path) -> Iterator[dict[str, Any]]:
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return
    for line in lines:
        try:
            event = json.loads(line)
        except ValueError:  # the last line of a killed process
            continue
        if isinstance(event, dict):
            yield event
