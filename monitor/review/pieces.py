"""Stretches of a log that one guard decides in one go, and deciding one of them again."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from monitor.review.judge import run_rows
from monitor.review.window import Floats
from rules.guard import Guard
from rules.step.state import Decision, State
from simulator.rig import RigFile

PIECE_ROWS: Final = 8192
_STARTED: Final = State.names().index("started")


@dataclass(frozen=True, slots=True)
class Axis:
    """How far the plot's time axis has come.

    Attributes:
        time_s: The guard's time in the newest row.
        axis_s: Where that row stands on the axis.
        shift_s: By how much rows are shown later than their own clock says.
    """

    time_s: float
    axis_s: float
    shift_s: float = 0.0

    def follow(self, decisions: Floats, *, started: bool) -> tuple[Floats, "Axis"]:
        """Return where rows stand on the axis, and how far it has come then.

        Args:
            decisions: (n, N_DECISION), n at least 1.
            started: Whether the guard had seen a time before; one that hasn't says 0.
        """
        named = Decision.named(decisions)
        times: Floats = named["time_s"].copy()
        if not started:
            seen = np.flatnonzero(named["late"] == 0.0)
            times[: seen[0] if len(seen) else len(times)] = self.time_s
        steps = np.diff(times, prepend=self.time_s)
        shifts = self.shift_s + np.cumsum(np.where(steps < 0.0, -steps, 0.0))
        # Rounding of the shift may not make it fall either.
        axis_s = np.maximum(np.maximum.accumulate(times + shifts), self.axis_s)
        return axis_s, Axis(float(times[-1]), float(axis_s[-1]), float(shifts[-1]))


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
    axis: Axis
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
