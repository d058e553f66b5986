"""Deciding a whole log, and keeping enough to decide any row of it again."""

from typing import Any

import numpy as np

from monitor.recorder.span import readings_of
from monitor.review.alarms import AlarmMoment, moments
from monitor.review.decided_log import Decided, Groups, TurnAt
from monitor.review.judge import Judge, Judged, worth_compiling
from monitor.review.log import Log, Progress, Stop, Stopped
from monitor.review.pieces import PIECE_ROWS, Piece
from monitor.review.time_axis import TimeAxis
from monitor.review.window import Floats, groups_of, reach_of, trace_of
from rules.channels import TIME
from rules.step.state import Decision
from simulator.rig import RigFile


def decide(
    log: Log,
    rig_file: RigFile | None = None,
    *,
    progress: Progress | None = None,
    stop: Stop | None = None,
    compiled: bool | None = None,
) -> Decided:
    """Decide every row of a log; reads it first where that hasn't been done.

    Args:
        log: What ``open_log`` returned.
        rig_file: Judge by this rig throughout (what if); None: as the log was opened.
        progress: Told how far it is, 0 to 1.
        stop: Asked at least every 8192 rows; may be an event's ``is_set``.
        compiled: Whether by compiled code, or row by row; None: whichever has it decided sooner.

    Raises:
        BadInput: The log can't be read, holds no rows, or a session's rig can't have been changed
            as it says.
        Stopped: ``stop`` said so.
    """
    before = 0.0 if log.is_read else 0.5
    if not log.is_read:
        log.read(None if progress is None else lambda share: progress(0.5 * share), stop)
    run = _Run(log, rig_file, compiled)
    total = len(log.rows)
    for start, block in log.pieces(PIECE_ROWS):
        end = start + len(block.rows)
        run.keep(start, end, run.judge.take(block))
        if progress is not None:
            progress(before + (1.0 - before) * end / total)
        if stop is not None and stop() and end < total:
            raise Stopped
    return run.conclude()


class _Run:
    """One pass over a log, and what is kept of it."""

    def __init__(self, log: Log, rig_file: RigFile | None, compiled: bool | None) -> None:
        self._log = log
        self._rig_file = log.rig_file if rig_file is None else rig_file
        follows = log.own_terms and rig_file is None
        # As it was decided then, start to end: worth comparing, once.
        as_own = log.own is not None and self._rig_file.text == log.own.text
        self._as_then = as_own and (follows or not log.rigs)
        self._compares = self._as_then and log.recorded is not None
        self._compiled = worth_compiling(len(log.rows)) if compiled is None else compiled
        self.judge = Judge(
            self._rig_file,
            log.own,
            follows=follows,
            compares=self._compares,
            compiled=self._compiled,
        )
        self._differs_at: int | None = None
        finite = log.rows[:PIECE_ROWS, TIME]
        finite = finite[np.isfinite(finite)]
        first_s = float(finite[0]) if len(finite) else 0.0
        self._axis = TimeAxis(first_s, first_s)
        self._late = self._judged = 0
        self._pieces: list[Piece] = []
        self._starts: list[Any] = []
        self._low: list[Floats] = []
        self._high: list[Floats] = []
        self._moments: list[AlarmMoment] = []
        self._turns: list[TurnAt] = []

    def keep(self, start: int, end: int, judged: Judged) -> None:
        """Keep what it takes to decide some rows again, to find them, and to draw them."""
        decisions = judged.decisions
        if decisions is None:  # a judge that wants all has them
            raise ValueError("found no decisions, expected one a row")
        again = None if self._compiled else decisions
        state = np.array(judged.state)
        piece = Piece(start, end, judged.rig_file, state, self._axis, self._late, again)
        if judged.differs_at is not None and self._differs_at is None:
            self._differs_at = start + judged.differs_at
        axis_s, self._axis = self._axis.follow(decisions, started=piece.started)
        trace = trace_of(decisions, axis_s)
        groups = groups_of(trace)
        low, high = reach_of(trace, groups)
        self._pieces.append(piece)
        self._starts.append(groups + start)
        self._low.append(low)
        self._high.append(high)
        self._moments += moments(piece, self._log.rows, decisions)
        self._late += int(np.count_nonzero(Decision.named(decisions)["late"]))
        sent = readings_of(self._log.rows[start:end])
        self._judged += int(np.count_nonzero(judged.judged & sent))
        for at, number, turn, event in judged.turns:
            self._turns.append(TurnAt(start + at, float(axis_s[at]), turn, event, number))

    def conclude(self) -> Decided:
        """Return what came of it."""
        log = self._log
        self.judge.finish()
        if self._compares:
            found = self.judge.compares or self._differs_at is not None
            log.compared(self._differs_at is None if found else None, self._differs_at)
        return Decided(
            log=log,
            rig_file=self._rig_file,
            pieces=self._pieces,
            groups=Groups(
                np.concatenate(self._starts), np.concatenate(self._low), np.concatenate(self._high)
            ),
            moments=self._moments,
            events=self.judge.events,
            turns=self._turns,
            reproduced=log.reproduced if self._as_then else None,
            differs_at=log.differs_at if self._as_then else None,
            judged=self._judged,
        )
