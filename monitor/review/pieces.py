"""Stretches of a log that one guard decides in one go, and deciding one of them again."""

from dataclasses import dataclass
from typing import Any, Final

from monitor.review.judge import run_rows
from monitor.review.time_axis import TimeAxis
from monitor.review.window import Floats
from rules.guard import Guard
from rules.step.state import State
from simulator.rig import RigFile

PIECE_ROWS: Final = 8192
_STARTED: Final = State.names().index("started")


@dataclass(frozen=True, slots=True)
class Piece:
    """Some rows, and all it takes to decide them again.

    Attributes:
        start: First row.
        end: Behind the last.
        rig_file: The rig they are decided by.
        state: What the guard remembered before the first.
        axis: How far the axis had come before the first.
        late: Rows before the first that came too late.
        decisions: What was decided, where compiled code isn't loaded to decide it again.
    """

    start: int
    end: int
    rig_file: RigFile
    state: Floats
    axis: TimeAxis
    late: int
    decisions: Floats | None = None

    @property
    def started(self) -> bool:
        """Whether the guard had seen a time before."""
        return bool(self.state[_STARTED])


def decide_piece(piece: Piece, rows: Any) -> Floats:
    """Decide a piece of ``rows`` (all of the log's) again, unless that is kept."""
    if piece.decisions is not None:
        return piece.decisions
    guard = Guard(piece.rig_file.rig)
    guard.restore(piece.state.tolist())
    return run_rows(guard, rows[piece.start : piece.end], compiled=True)
