"""A log with every decision redone: any row, any stretch, at any moment."""

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import InitVar, dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np

from monitor.attach.message_parts import EventFacts, LikelyCause, StandingAlarm
from monitor.review.alarms import AlarmHistory, AlarmMoment
from monitor.review.causes import CauseHistory
from monitor.review.log import Log, Progress, Stop
from monitor.review.pieces import Piece, decide_piece
from monitor.review.window import Floats, Ints, Window, reach_of, trace_of
from rules.events import Event, Turn
from rules.facts import Rig
from rules.step.state import Decision
from simulator.rig import RigFile

ROWS_A_COLUMN: Final = 128  # two groups a column of dots: more rows than that come in groups
FEWEST_IN_GROUPS: Final = 8192
MOST_EXACT: Final = 131_072
PIECES_KEPT: Final = 8  # 4.8 MB each
TRACES_KEPT: Final = 24  # 1 MB each


@dataclass(frozen=True, slots=True)
class TurnAt:
    """What happened to an event, at which row.

    Attributes:
        index: Row in which it happened.
        time_s: That row's time on the axis.
        turn: Which.
        event: As it stood then.
        number: Place of the event in ``Decided.events``.
    """

    index: int
    time_s: float
    turn: Turn
    event: EventFacts
    number: int


@dataclass(frozen=True, slots=True)
class Groups:
    """Lowest and highest trace values of up to 64 rows each.

    Attributes:
        starts: First row of each.
        low: Lowest of each column; of the time, the first row's.
        high: Highest; of the time, the last row's.
    """

    starts: Ints
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class _Again:
    """A piece decided again."""

    decisions: Floats
    axis_s: Floats


@dataclass(eq=False, repr=False)
class Decided:
    """Every decision of a log by one rig (or, of a session, by those in force then).

    Times are those of the plot: the guard's time, which stands where a row came late. Where the
    clock stepped back the axis doesn't: it stands for a moment and runs on from there, so that
    time never falls; ``shift_s`` says by how much a row is shown later than its own clock said.

    Safe to ask from several threads.

    Attributes:
        log: What was decided on.
        rig_file: The rig (the first, where a session's was changed).
        pieces: What it takes to decide any row again.
        groups: What a plot of a long stretch draws.
        events: In the order in which they were raised, as they stood at the end.
        turns: Everything that happened to events, in order.
        reproduced: Whether a session's decisions came out the same, bit for bit; None where there
            was nothing to compare (a log, or another rig).
        differs_at: First row at which they didn't.
        judged: How many rows, ticks left out, were in time, with every essential channel healthy.
        rows: How many rows.
        from_s: Time of the first row, s.
        to_s: Time of the last.
        raised_at: Row in which each event was raised.
    """

    log: Log
    rig_file: RigFile
    pieces: list[Piece]
    groups: Groups
    moments: InitVar[list[AlarmMoment]]
    events: list[Event]
    turns: list[TurnAt]
    reproduced: bool | None
    differs_at: int | None
    judged: int

    def __post_init__(self, moments: list[AlarmMoment]) -> None:
        self.rows = self.pieces[-1].end
        self.from_s = float(self.groups.low[0, 0])
        self.to_s = float(self.groups.high[-1, 0])
        self.raised_at = [turn.index for turn in self.turns if turn.turn is Turn.RAISED]
        self._starts = [piece.start for piece in self.pieces]
        self._alarms = AlarmHistory(moments, self.log.rows)
        self._causes = CauseHistory(self.pieces, self.log.rows)
        self._decided, self._traced = _kept(self.pieces, self.log.rows)

    def rig_at(self, index: int) -> Rig:
        """Return the rig a row was decided by."""
        return self.rig_file_at(index).rig

    def rig_file_at(self, index: int) -> RigFile:
        """Return the rig file a row was decided by."""
        return self.pieces[self._piece_of(index)].rig_file

    def decision(self, index: int) -> Decision:
        """Return a row's decision, exactly as a guard that ran through all rows before it.

        Raises:
            IndexError: No such row.
        """
        again, at = self._at(index)
        return Decision.of_flat(again.decisions[at].tolist())

    def decisions(self, start: int, end: int) -> Floats:
        """Return the decisions of rows from ``start`` to before ``end``, (n, N_DECISION)."""
        parts = [self._decided(number).decisions[a:b] for number, a, b in self._parts(start, end)]
        return np.concatenate(parts)

    def time_s(self, index: int) -> float:
        """Return a row's time on the axis, s; never falls with the row."""
        again, at = self._at(index)
        return float(again.axis_s[at])

    def shift_s(self, index: int) -> float:
        """Return how much later than by its own clock a row is shown, s; 0 in nearly every log."""
        again, at = self._at(index)
        return float(again.axis_s[at] - Decision.named(again.decisions)["time_s"][at])

    def index_at(self, time_s: float) -> int:
        """Return the last row at or before a time; the first row where there is none (and NaN)."""
        if not time_s >= self.from_s:
            return 0
        if time_s >= self.to_s:
            return self.rows - 1
        group = int(np.searchsorted(self.groups.low[:, 0], time_s, side="right")) - 1
        number = self._piece_of(int(self.groups.starts[group]))
        axis_s = self._decided(number).axis_s
        return self._starts[number] + int(np.searchsorted(axis_s, time_s, side="right")) - 1

    def rows_between(self, from_s: float, to_s: float) -> tuple[int, int]:
        """Return the first row not before a time, and the row behind the last not after another."""
        if not (from_s <= to_s and from_s <= self.to_s and to_s >= self.from_s):
            return 0, 0
        start = self.index_at(np.nextafter(from_s, -np.inf))
        start += self.time_s(start) < from_s
        return start, self.index_at(to_s) + 1

    def trace(self, from_s: float, to_s: float, columns: int) -> Window:
        """Return what a plot of a stretch draws.

        Args:
            from_s: Left edge; one row before it is included.
            to_s: Right edge; nothing after it is.
            columns: Columns of dots the plot has: a longer stretch than these can show comes as
                lowest and highest values.
        """
        if not (from_s <= to_s and to_s >= self.from_s):
            nothing = np.full(self.groups.low.shape[1], np.nan)
            return Window(nothing[None][:0], None, nothing)
        first, last = self.index_at(from_s), self.index_at(to_s)
        count = last + 1 - first
        if count <= min(MOST_EXACT, max(FEWEST_IN_GROUPS, ROWS_A_COLUMN * columns)):
            rows = self._trace(first, last + 1)
            return Window(rows, None, rows[-1])
        starts = self.groups.starts
        start = int(np.searchsorted(starts, first, side="right")) - 1
        # The last group may go on beyond the right edge: only what is before it counts.
        end = int(np.searchsorted(starts, last, side="right")) - 1
        rest = self._trace(int(starts[end]), last + 1)
        low, high = reach_of(rest, np.zeros(1, dtype=np.int64))
        return Window(
            np.concatenate((self.groups.low[start:end], low)),
            np.concatenate((self.groups.high[start:end], high)),
            rest[-1],
        )

    def late_until(self, index: int) -> int:
        """Return how many rows came too late to be used, up to and with this one."""
        again, at = self._at(index)
        before = self.pieces[self._piece_of(index)].late
        return before + int(np.count_nonzero(Decision.named(again.decisions)["late"][: at + 1]))

    def alarms_at(self, index: int) -> tuple[list[StandingAlarm], bool]:
        """Return the alarms standing at a row, as a frame has them, and whether the bell sounds.

        The operator's acknowledgements are in a session's rows and count (as one of all alarms);
        resets and shelves are not, and don't.
        """
        return self._alarms.at(index)

    def causes_at(self, index: int) -> list[LikelyCause] | None:
        """Return the likeliest causes at a row, as a frame has them; None: not worked out yet."""
        return self._causes.at(index)

    def work_out_causes(self, progress: Progress | None = None, stop: Stop | None = None) -> None:
        """Rank the causes over the whole log, for ``causes_at``: takes seconds; use a thread.

        What has been worked out can be asked for meanwhile. Goes on where it was stopped.

        Raises:
            Stopped: ``stop`` said so.
        """
        self._causes.work(progress, stop)

    def _piece_of(self, index: int) -> int:
        if not 0 <= index < self.rows:
            raise IndexError(f"row {index}: expected 0 to {self.rows - 1}")
        return bisect_right(self._starts, index) - 1

    def _at(self, index: int) -> tuple[_Again, int]:
        number = self._piece_of(index)
        return self._decided(number), index - self._starts[number]

    def _parts(self, start: int, end: int) -> list[tuple[int, int, int]]:
        """Return piece, first row in it and behind the last, of all rows between two."""
        parts = []
        for number in range(self._piece_of(start), self._piece_of(end - 1) + 1):
            piece = self.pieces[number]
            a, b = max(start, piece.start), min(end, piece.end)
            parts.append((number, a - piece.start, b - piece.start))
        return parts

    def _trace(self, start: int, end: int) -> Floats:
        parts = [self._traced(number)[a:b] for number, a, b in self._parts(start, end)]
        return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _kept(
    pieces: list[Piece], rows: Any
) -> tuple[Callable[[int], _Again], Callable[[int], Floats]]:
    """Return what decides a piece again, by its number, and what it shows: the newest are kept."""

    @lru_cache(PIECES_KEPT)
    def decided(number: int) -> _Again:
        piece = pieces[number]
        decisions = decide_piece(piece, rows)
        return _Again(decisions, piece.axis.follow(decisions, started=piece.started)[0])

    @lru_cache(TRACES_KEPT)
    def traced(number: int) -> Floats:
        again = decided(number)
        return trace_of(again.decisions, again.axis_s)

    return decided, traced
