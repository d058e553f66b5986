"""Reading back a log or a session: the same rules, at full speed."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any, Final

import numpy as np
from msgspec import to_builtins

from monitor.attach.facts import EventFacts
from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks, is_session
from monitor.recorder.span import Span, readings_of
from monitor.review.mistakes import MistakeSearch
from monitor.sources.align import GapFiller
from monitor.sources.logs.bounded_lines import FIELDS
from monitor.sources.logs.open import log_blocks, rig_of_log
from monitor.sources.logs.read_ahead import read_ahead
from rules.channels import TIME
from rules.events import Event, EventTracker, Turn
from rules.facts import Action
from rules.guard import Guard
from rules.handling import slowest_period_s
from rules.step.state import Decision
from simulator.rig import Change, RigFile, changes, find_rig, load_rig, rig_from_text
from simulator.strict import BadInput, called, clean

# Below this many rows, stepping them one by one takes less time than loading the compiler.
ROWS_WORTH_COMPILING: Final = 60_000
BYTES_WORTH_COMPILING: Final = 8_000_000
# An hour at 100 rows a second: a mistake in the rig shows in the first pulls.
ROWS_LOOKED_AT: Final = 360_000
NOT_JUDGED: Final = "found no row that could be judged, expected every essential channel healthy"
_ALL_HEALTHY_AT: Final = Decision._fields.index("all_healthy")
_CHANGED_AT: Final = Decision._fields.index("changed")
_LATE_AT: Final = Decision._fields.index("late")
_DECIDED_AT: Final = [Decision._fields.index(name) for name in layout.DECIDED]


@dataclass(frozen=True, slots=True)
class NewTerms:
    """The rig was changed while the guard ran: after which time, and what in it."""

    time_s: float
    changes: tuple[Change, ...]

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types."""
        return {"time_s": self.time_s, "changes": [c._asdict() for c in self.changes]}


@dataclass(slots=True)
class Review:
    """What a log says.

    Attributes:
        source: What was read.
        rig: Rig's name.
        span: How many rows it holds, ticks for silence left out, and over which time.
        judged: Of these, how many were in time, with every essential channel and the clock healthy.
        blind_ticks: Ticks for silence that went on until something essential was too old.
        events: In the order in which they were raised.
        rejected: Rows not used, by reason.
        no_numbers: Cells with text where a number belongs, read as not a number.
        lines_not_used: First lines of a CSV log with another number of fields than its header.
        no_number_cells: Where the first of them are, and what stands there.
        cut: Why a session ends early; None where it doesn't.
        reproduced: Whether a session's decisions came out the same, bit for bit; None where there
            was nothing to compare (a log, or another rig).
        differs_at_s: First time at which they didn't.
        step_s: Median time between a log's first rows; None where unknown, or for a session.
        slowest_step_s: The longest at which this rig's command can be judged where it switches.
        unacknowledged: Whether the rig wants an operator to release what is latched, and a log has
            none.
        new_terms: Where a session's rig was changed while the guard ran.
        mistakes: What speaks against the rig itself.
    """

    source: str
    rig: str
    span: Span = field(default_factory=Span)
    judged: int = 0
    blind_ticks: int = 0
    events: list[Event] = field(default_factory=list)
    rejected: dict[str, int] = field(default_factory=dict)
    no_numbers: int = 0
    no_number_cells: list[str] = field(default_factory=list)
    lines_not_used: list[int] = field(default_factory=list)
    cut: str | None = None
    reproduced: bool | None = None
    differs_at_s: float | None = None
    step_s: float | None = None
    slowest_step_s: float = inf
    unacknowledged: bool = False
    new_terms: list[NewTerms] = field(default_factory=list)
    mistakes: list[str] = field(default_factory=list)

    @property
    def rows(self) -> int:
        """Rows that hold a reading."""
        return self.span.readings or 0

    @property
    def from_s(self) -> float | None:
        """First time, s."""
        return self.span.from_s

    @property
    def to_s(self) -> float | None:
        """Newest time, s."""
        return self.span.to_s

    @property
    def worst(self) -> Action:
        """The worst action of any event."""
        return max((event.action for event in self.events), default=Action.NO_ACTION)

    def as_json(self) -> dict[str, Any]:
        """Return the review as plain JSON types."""
        return {
            "source": self.source,
            "rig": self.rig,
            "rows": self.rows,
            "judged": self.judged,
            "from_s": self.from_s,
            "to_s": self.to_s,
            "length_s": self.span.length_s,
            "clock_stepped_back": self.span.steps_back,
            "worst_action": self.worst.word,
            "rejected": self.rejected,
            "no_numbers": {"cells": self.no_numbers, "first": self.no_number_cells},
            "cut": self.cut,
            "reproduced": self.reproduced,
            "differs_at_s": self.differs_at_s,
            "thresholds_changed": [new.as_json() for new in self.new_terms],
            "mistakes_in_rig": self.mistakes,
            "events": [to_builtins(EventFacts.of(event)) for event in self.events],
        }


class Replay:
    """Feeds blocks of rows to a guard, first one by one, then compiled; the same either way."""

    def __init__(self, rig_file: RigFile, *, compiled: bool = False) -> None:
        self._compiled = compiled
        self._guard = Guard(rig_file.rig)
        self._tracker = EventTracker(rig_file.rig)
        self._mistakes = MistakeSearch(rig_file.rig)
        self.rows = 0
        self.judged = self.blind_ticks = 0
        self.events: list[Event] = []

    def take(self, rows: Any, decided: Any = None) -> float | None:
        """Decide on a block.

        Args:
            rows: (n, ROW_WIDTH).
            decided: What was decided then, (n, len(DECIDED)), to compare with; None: don't.

        Returns:
            Time of the first row decided otherwise; None where all agree.
        """
        self.rows += len(rows)
        if decided is None and self.rows > ROWS_LOOKED_AT:
            _, changed, judged = self._guard.run_changes(rows)
            self._count_judged(rows, judged)
            self._track(changed)
            return None
        decisions = self._decide(rows)
        in_time = decisions[:, _LATE_AT] == 0.0
        self._count_judged(rows, (decisions[:, _ALL_HEALTHY_AT] != 0.0) & in_time)
        self._mistakes.take(decisions)
        self._track(decisions[decisions[:, _CHANGED_AT] != 0.0])
        if decided is None:
            return None
        again = decisions[:, _DECIDED_AT]
        wrong = ((again != decided) & ~(np.isnan(again) & np.isnan(decided))).any(axis=1)
        return float(rows[int(np.argmax(wrong)), TIME]) if wrong.any() else None

    def _count_judged(self, rows: Any, judged: Any) -> None:
        sent = readings_of(rows)
        self.judged += int(np.count_nonzero(judged & sent))
        self.blind_ticks += int(np.count_nonzero(~judged & ~sent))

    def change(self, rig_file: RigFile) -> None:
        """Judge by another rig from here on, as the guard did.

        Raises:
            BadInput: No running guard could have.
        """
        try:
            self._guard.change(rig_file.rig)
        except ValueError as error:
            raise BadInput(f"{called(rig_file.file_name)}: {error}") from None
        self._tracker.change(rig_file.rig)
        self._mistakes = MistakeSearch(rig_file.rig)

    @property
    def time_s(self) -> float:
        """Time of the newest decision, s."""
        return self._guard.decision().time_s

    def take_up(self, state: Sequence[float]) -> bool:
        """Go on from what a guard remembered, else afresh; return whether that could be used."""
        try:
            self._guard.take_up(state)
        except ValueError:
            self._guard = Guard(self._guard.rig)
            return False
        return True

    @property
    def mistakes(self) -> list[str]:
        """What speaks against the rig itself, a sentence each."""
        return self._mistakes.found

    def finish(self) -> None:
        """Bring what is still open up to date."""
        self._mistakes.finish()
        self._tracker.finish(self._guard.decision())

    def _decide(self, rows: Any) -> Any:
        self._compiled = self._compiled or self.rows >= ROWS_WORTH_COMPILING
        if not self._compiled:
            return np.array([self._guard.step(row) for row in rows.tolist()])
        return self._guard.run_rows(rows)

    def _track(self, decisions: Any) -> None:
        for row in decisions.tolist():
            self._feed(Decision._make(row))

    def _feed(self, decision: Decision) -> None:
        for turn, event in self._tracker.feed(decision):
            if turn is Turn.RAISED:
                self.events.append(event)


def review(path: Path, rig: str | None) -> Review:
    """Review a session or a log (CSV, Parquet, Arrow IPC).

    Args:
        path: The session's folder, or the log.
        rig: Rig file or shipped name; a session brings its own.

    Raises:
        BadInput: Anything that can't be read or used; not one row in it.
    """
    result = _review_session(path, rig) if is_session(path) else _review_log(path, rig)
    if result.from_s is None:
        why = f" ({clean(result.cut, 200)})" if result.cut is not None else ""
        raise BadInput(f"{called(path)}: found no rows{why}, expected some")
    return result


def _review_log(path: Path, rig: str | None) -> Review:
    rig_file = rig_of_log(path, rig)
    blocks = log_blocks(path, rig_file)
    filler = GapFiller()
    result = Review(path.name, rig_file.rig.name)
    result.slowest_step_s = slowest_period_s(rig_file.rig, rig_file.rig.paid.boost_kpa[-1])
    result.unacknowledged = rig_file.rig.ladder.acknowledge_to_release
    replay = Replay(rig_file, compiled=path.stat().st_size > BYTES_WORTH_COMPILING)
    for rows in read_ahead(blocks):
        result.span.take(rows)
        if result.step_s is None:
            result.step_s = _median_step_s(rows)
        replay.take(rows if blocks.ticked else filler.fill(rows))
    result.cut = blocks.cut
    result.no_numbers = blocks.statistics.no_numbers
    result.no_number_cells = blocks.no_numbers() if result.no_numbers else []
    if blocks.statistics.rejected.get(FIELDS):
        result.lines_not_used = blocks.not_used()
    _conclude(result, replay, dict(blocks.statistics.rejected))
    return result


def _review_session(path: Path, rig: str | None) -> Review:
    blocks = SessionBlocks(path)
    own = blocks.rig_file()
    rig_file = own if rig is None else load_rig(find_rig(rig))
    compare = same_rig = rig_file.text == own.text
    result = Review(path.name, rig_file.rig.name)
    replay = Replay(rig_file)
    now = own
    for rows in blocks:
        result.span.take(rows)
        new = None
        if (blocks.rig_text or own.text) != now.text:
            new = rig_from_text(blocks.rig_text or own.text, str(path))
            if rig is None:
                replay.change(new)
            else:
                compare = same_rig = False  # judged by the one asked for, throughout
        if blocks.hole is not None and not replay.take_up(blocks.hole.state if same_rig else ()):
            compare = False  # from here on it is judged by a guard that missed some rows
        if new is not None:
            result.new_terms.append(NewTerms(replay.time_s, changes(now, new)))
            now = new
        differs_s = replay.take(rows, blocks.decided if compare else None)
        if result.differs_at_s is None:
            result.differs_at_s = differs_s
    if replay.rows and (compare or result.differs_at_s is not None):
        result.reproduced = result.differs_at_s is None
    result.cut = blocks.cut
    _conclude(result, replay, {})
    return result


def _median_step_s(rows: Any) -> float | None:
    steps_s = np.diff(rows[:, TIME])
    steps_s = steps_s[np.isfinite(steps_s)]
    return float(np.median(steps_s)) if len(steps_s) else None


def _conclude(result: Review, replay: Replay, rejected: dict[str, int]) -> None:
    replay.finish()
    result.judged, result.blind_ticks = replay.judged, replay.blind_ticks
    result.events = replay.events
    result.mistakes = replay.mistakes
    result.rejected = rejected
