"""A log or a session, opened for replay: its rows are read once and kept."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simulator.rig import RigFile

Progress = Callable[[float], None]
Stop = Callable[[], bool]


class Stopped(Exception):
    """The ``stop`` that was handed in said so; nothing has changed."""


@dataclass(frozen=True, slots=True)
class Hole:
    """Rows are missing before a row.

    Attributes:
        row: The first row behind the hole.
        state: What the guard remembered there; empty where that isn't known.
    """

    row: int
    state: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Terms:
    """From which row on which rig was in force.

    Attributes:
        row: First row decided by it.
        rig_file: The rig.
    """

    row: int
    rig_file: RigFile


class Log:
    """What is replayed. ``open_log`` makes it; ``read`` (or ``decide``) reads its rows.

    Attributes:
        path: Session's folder, or the log's file.
        session: Whether it is a session.
        rig_file: The rig asked for, else the session's own.
        own_terms: Whether that is the session's own, with its changes while it ran.
        terms: Rigs in the order in which they were in force; the first from row 0. Known once read.
        holes: Where rows are missing. Known once read.
        cut: Why a session or a log ends early; None where it doesn't. Known once read.
        rejected: Rows not used, by reason. Known once read.
    """

    path: Path
    session: bool
    rig_file: RigFile
    own_terms: bool
    terms: list[Terms]
    holes: list[Hole]
    cut: str | None
    rejected: dict[str, int]

    @property
    def rows(self) -> Any:
        """All rows, (n, ROW_WIDTH), ticks included; in memory or in a temporary file."""
        raise NotImplementedError

    def read(self, progress: Progress | None = None, stop: Stop | None = None) -> None:
        """Read the rows; does nothing the second time.

        Args:
            progress: Hears how far it is, 0 to 1.
            stop: Asked now and then, from whatever thread reads.

        Raises:
            BadInput: The log can't be read (on).
            Stopped: ``stop`` said so.
        """
        raise NotImplementedError

    def close(self) -> None:
        """Let go of the rows, and of the temporary file where there is one."""
        raise NotImplementedError


def open_log(source: str, rig: str | None = None) -> Log:
    """Open a session's folder, or a log (CSV, Parquet, Arrow IPC).

    Args:
        source: Folder or file.
        rig: Rig file or shipped name; a session brings its own.

    Raises:
        BadInput: Anything that can't be read or used; a log without a rig.
    """
    raise NotImplementedError
