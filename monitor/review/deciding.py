"""Deciding a whole log, and keeping enough to decide any row of it again."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from monitor.recorder import layout
from monitor.review.alarms import AlarmMoment, moments
from monitor.review.decided import Decided, Groups, TurnAt
from monitor.review.log import Log, Progress, RigFrom, Stop, Stopped
from monitor.review.pieces import PIECE_ROWS, Axis, Piece
from monitor.review.running import run_rows, worth_compiling
from monitor.review.window import Floats, groups_of, reach_of, trace_of
from rules.channels import TIME
from rules.events import Event, EventTracker, Turn
from rules.guard import Guard
from rules.step.state import CHANGED, LATE, Decision
from simulator.rig import RigFile
from simulator.strict import BadInput, called

_DECIDED_AT = [Decision._fields.index(name) for name in layout.DECIDED]


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
        progress: Hears how far it is, 0 to 1.
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
    for end in run.each_piece():
        if progress is not None:
            progress(before + (1.0 - before) * end / total)
        if stop is not None and stop() and end < total:
            raise Stopped
    return run.conclude()


@dataclass(slots=True)
class _Kept:
    """What is kept of the decisions."""

    pieces: list[Piece] = field(default_factory=list)
    starts: list[Any] = field(default_factory=list)
    low: list[Floats] = field(default_factory=list)
    high: list[Floats] = field(default_factory=list)
    moments: list[AlarmMoment] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    raised_at: list[int] = field(default_factory=list)
    turns: list[TurnAt] = field(default_factory=list)


class _Run:
    """One pass over a log: as ``flowdebt review`` judges it, rig changes, holes and all."""

    def __init__(self, log: Log, rig_file: RigFile | None, compiled: bool | None) -> None:
        self._log = log
        self._rows = log.rows
        self._rig_file = log.rig_file if rig_file is None else rig_file
        self._follows = log.own_terms and rig_file is None
        self._same = log.session and self._rig_file.text == log.terms[0].rig_file.text
        # As it was decided then, start to end: worth comparing, once.
        self._as_then = self._same and (self._follows or len(log.terms) == 1)
        self._compare = self._as_then and log.recorded is not None
        self._differs_at: int | None = None
        self._now = self._rig_file
        self._guard = Guard(self._rig_file.rig)
        self._tracker = EventTracker(self._rig_file.rig)
        self._numbers: dict[int, int] = {}
        finite = self._rows[:PIECE_ROWS, TIME]
        finite = finite[np.isfinite(finite)]
        first_s = float(finite[0]) if len(finite) else 0.0
        self._axis = Axis(first_s, first_s)
        self._late = 0
        self._compiled = worth_compiling(len(self._rows)) if compiled is None else compiled
        self._kept = _Kept()

    def each_piece(self) -> Iterator[int]:
        """Decide piece by piece; yield behind which row it is."""
        terms = {new.row: new for new in self._log.terms[1:]}
        holes = {hole.row: hole for hole in self._log.holes}
        total = len(self._rows)
        cuts = sorted({*range(0, total, PIECE_ROWS), *terms, *holes})
        for start, end in zip(cuts, [*cuts[1:], total], strict=True):
            if start in terms:
                self._new_terms(terms[start])
            if start in holes and not self._take_up(holes[start].state if self._same else ()):
                self._compare = False  # from here on it is a guard that missed some rows
            self._piece(start, end)
            yield end

    def _new_terms(self, new: RigFrom) -> None:
        if not self._follows:  # judged by the one asked for, throughout
            self._same = False
            return
        try:
            self._guard.change(new.rig_file.rig)
        except ValueError as error:
            raise BadInput(f"{called(new.rig_file.file_name)}: {error}") from None
        self._tracker.change(new.rig_file.rig)
        self._now = new.rig_file

    def _take_up(self, state: tuple[float, ...]) -> bool:
        try:
            self._guard.take_up(state)
        except ValueError:
            self._guard = Guard(self._guard.rig)
            return False
        return True

    def _piece(self, start: int, end: int) -> None:
        kept = self._kept
        state = np.array(self._guard.state())
        decisions = run_rows(self._guard, self._rows[start:end], compiled=self._compiled)
        again = None if self._compiled else decisions
        piece = Piece(start, end, self._now, state, self._axis, self._late, again)
        if self._compare:
            self._compare_with_recorded(decisions, start, end)
        axis_s, self._axis = self._axis.follow(decisions, started=piece.started)
        trace = trace_of(decisions, axis_s)
        groups = groups_of(trace)
        low, high = reach_of(trace, groups)
        kept.pieces.append(piece)
        kept.starts.append(groups + start)
        kept.low.append(low)
        kept.high.append(high)
        kept.moments += moments(piece, self._rows, decisions)
        self._late += int(np.count_nonzero(decisions[:, LATE]))
        changed = np.flatnonzero(decisions[:, CHANGED])
        for at, row in zip(changed.tolist(), decisions[changed].tolist(), strict=True):
            self._feed(Decision._make(row), start + at, float(axis_s[at]))

    def _compare_with_recorded(self, decisions: Floats, start: int, end: int) -> None:
        again, then = decisions[:, _DECIDED_AT], self._log.recorded[start:end]
        wrong = ((again != then) & ~(np.isnan(again) & np.isnan(then))).any(axis=1)
        if wrong.any() and self._differs_at is None:
            self._differs_at = start + int(np.argmax(wrong))

    def _feed(self, decision: Decision, index: int, axis_s: float) -> None:
        kept = self._kept
        for turn, event in self._tracker.feed(decision):
            if turn is Turn.RAISED:
                self._numbers[id(event)] = len(kept.events)
                kept.events.append(event)
                kept.raised_at.append(index)
            number = self._numbers[id(event)]
            told = event.as_json()
            kept.turns.append(
                TurnAt(index, axis_s, turn.value, told, event.what.check_first, number)
            )

    def conclude(self) -> Decided:
        """Return what came of it."""
        log, kept = self._log, self._kept
        self._tracker.finish(self._guard.decision())
        if self._as_then and log.recorded is not None:
            found = self._compare or self._differs_at is not None
            log.compared(self._differs_at is None if found else None, self._differs_at)
        return Decided(
            log=log,
            rig_file=self._rig_file,
            pieces=kept.pieces,
            groups=Groups(
                np.concatenate(kept.starts), np.concatenate(kept.low), np.concatenate(kept.high)
            ),
            moments=kept.moments,
            events=kept.events,
            raised_at=kept.raised_at,
            turns=kept.turns,
            late=self._late,
            reproduced=log.reproduced if self._as_then else None,
            differs_at=log.differs_at if self._as_then else None,
        )
