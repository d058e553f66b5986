"""Reading back a log or a session: the same rules, at full speed."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import inf, isfinite
from pathlib import Path
from typing import Any, Final

import numpy as np

from monitor.ahead import ahead
from monitor.align import GapFiller
from monitor.mistakes import MistakeSearch
from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks, is_session
from monitor.sources.logs import log_blocks, rig_of_log
from rules.channels import TIME
from rules.events import Event, EventTracker, Turn
from rules.facts import Action
from rules.guard import Guard
from rules.handling import slowest_period_s
from rules.state import Decision
from simulator.rig import Change, RigFile, changes, find_rig, load_rig, rig_from_text
from simulator.strict import BadInput, called, clean

# Below this many rows, stepping them one by one takes less time than loading the compiler.
ROWS_WORTH_COMPILING: Final = 60_000
BYTES_WORTH_COMPILING: Final = 8_000_000
# Loggers of engines write 1 to 5000 rows a second; beyond that the unit of time is most likely
# another. Common practice, no source.
LEAST_STEP_S: Final = 0.0002
MOST_STEP_S: Final = 1.0
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
        rows: Rows decided on, ticks included.
        judged: Of these, how many were in time, with every essential channel and the clock healthy.
        from_s: First time in the log.
        to_s: Last.
        events: In the order in which they were raised.
        rejected: Rows not used, by reason.
        no_numbers: Cells with text where a number belongs, read as not a number.
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
    rows: int = 0
    judged: int = 0
    from_s: float | None = None
    to_s: float | None = None
    events: list[Event] = field(default_factory=list)
    rejected: dict[str, int] = field(default_factory=dict)
    no_numbers: int = 0
    no_number_cells: list[str] = field(default_factory=list)
    cut: str | None = None
    reproduced: bool | None = None
    differs_at_s: float | None = None
    step_s: float | None = None
    slowest_step_s: float = inf
    unacknowledged: bool = False
    new_terms: list[NewTerms] = field(default_factory=list)
    mistakes: list[str] = field(default_factory=list)

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
            "worst_action": self.worst.word,
            "rejected": self.rejected,
            "no_numbers": {"cells": self.no_numbers, "first": self.no_number_cells},
            "cut": self.cut,
            "reproduced": self.reproduced,
            "differs_at_s": self.differs_at_s,
            "thresholds_changed": [new.as_json() for new in self.new_terms],
            "mistakes_in_rig": self.mistakes,
            "events": [event.as_json() for event in self.events],
        }


class Replay:
    """Feeds blocks of rows to a guard, first one by one, then compiled; the same either way."""

    def __init__(self, rig_file: RigFile, *, compiled: bool = False) -> None:
        self._compiled = compiled
        self._guard = Guard(rig_file.rig)
        self._tracker = EventTracker(rig_file.rig)
        self._mistakes = MistakeSearch(rig_file.rig)
        self.rows = 0
        self.judged = 0
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
            self.judged += judged
            self._track(changed)
            return None
        decisions = self._decide(rows)
        in_time = decisions[:, _LATE_AT] == 0.0
        self.judged += int(np.count_nonzero((decisions[:, _ALL_HEALTHY_AT] != 0.0) & in_time))
        self._mistakes.take(decisions)
        self._track(decisions[decisions[:, _CHANGED_AT] != 0.0])
        if decided is None:
            return None
        again = decisions[:, _DECIDED_AT]
        wrong = ((again != decided) & ~(np.isnan(again) & np.isnan(decided))).any(axis=1)
        return float(rows[int(np.argmax(wrong)), TIME]) if wrong.any() else None

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
    if not result.rows:
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
    for rows in ahead(blocks):
        _span(result, rows)
        if result.step_s is None:
            result.step_s = _median_step_s(rows)
        replay.take(rows if blocks.ticked else filler.fill(rows))
    result.cut = blocks.cut
    result.no_numbers = blocks.statistics.no_numbers
    result.no_number_cells = blocks.no_numbers() if result.no_numbers else []
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
        _span(result, rows)
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


def _span(result: Review, rows: Any) -> None:
    times = rows[:, TIME]
    if result.from_s is None:
        result.from_s = _finite(times[0])
    result.to_s = _finite(times[-1])


def _median_step_s(rows: Any) -> float | None:
    steps_s = np.diff(rows[:, TIME])
    steps_s = steps_s[np.isfinite(steps_s)]
    return float(np.median(steps_s)) if len(steps_s) else None


def _finite(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _conclude(result: Review, replay: Replay, rejected: dict[str, int]) -> None:
    replay.finish()
    result.rows, result.judged = replay.rows, replay.judged
    result.events = replay.events
    result.mistakes = replay.mistakes
    result.rejected = rejected


def in_words(result: Review) -> Iterator[str]:
    """Yield a review as lines for people."""
    span = ""
    if result.from_s is not None and result.to_s is not None:
        span = f", {result.from_s:.2f} to {result.to_s:.2f} s"
    rows = _rows(result.rows)
    yield f"{clean(result.source)}: {rows}{span}, judged by rig {clean(result.rig)}"
    if result.step_s is not None and not LEAST_STEP_S <= result.step_s <= MOST_STEP_S:
        yield f"  rows are {_span_in_words(result.step_s)} apart: is [time] unit right?"
    elif result.step_s is not None and result.step_s > result.slowest_step_s:
        yield (
            f"  rows are {_span_in_words(result.step_s)} apart, too far to judge a command that "
            f"switches: spray off from one to the next, unseen, would pull timing. Expected at "
            f"most {_span_in_words(result.slowest_step_s)}"
        )
    if result.cut is not None:
        yield f"  the recording is not whole: {clean(result.cut, 1000)}"
    for reason, count in result.rejected.items():
        yield f"  {_rows(count)} not used: {reason}"
    if result.no_numbers:
        cells = "1 cell is" if result.no_numbers == 1 else f"{result.no_numbers} cells are"
        where = "; ".join(f"line {cell}" for cell in result.no_number_cells)
        more = " and so on" if result.no_numbers > len(result.no_number_cells) else ""
        yield f"  {cells} no number, and never healthy: {clean(where, 400)}{more}"
    if result.reproduced is not None:
        yield (
            "  decisions of that time reproduced, bit for bit"
            if result.reproduced
            else f"  decisions DIFFER from those recorded, first at {result.differs_at_s:.3f} s"
        )
    for new in result.new_terms:
        told = ", ".join(change.words for change in new.changes) or "nothing but the text"
        yield f"  thresholds changed at {new.time_s:.2f} s: {told}"
    for mistake in result.mistakes:
        yield f"  suspect the rig, not the car: {mistake}"
    if not result.events:
        yield f"  {_nothing_found(result)}"
    if result.unacknowledged and result.worst >= Action.PULL_TIMING:
        yield (
            "  this rig releases only what an operator acknowledges; a log has nobody to, so what "
            "is latched lasts to the end"
        )
    for event in result.events:
        yield from _event_in_words(event)


def _nothing_found(result: Review) -> str:
    """Say that nothing was found, and in what: "throughout" only where all of it was judged."""
    blind = result.rows - result.judged
    if not (blind or result.rejected or result.cut):
        return "nothing found: no action throughout"
    why = "an essential channel or the clock was not healthy, or a row came late"
    told = f"; {_rows(blind)} not: {why}" if blind else ""
    return f"nothing found in the {_rows(result.judged)} that could be judged{told}"


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _span_in_words(span_s: float) -> str:
    return f"{span_s:.3g} s" if abs(span_s) >= 1.0 else f"{1000.0 * span_s:.3g} ms"


def _event_in_words(event: Event) -> Iterator[str]:
    until = "to the end" if event.until_s is None else f"to {event.until_s:.2f} s"
    deep = []
    if event.debt_ml > 0.0:
        deep.append(f"debt {event.debt_ml:.2f} mL")
    if event.retard_deg > 0.0:
        deep.append(f"{event.retard_deg:.1f} deg pulled")
    if event.boost_ceiling_kpa is not None:
        deep.append(f"boost cut to {event.boost_ceiling_kpa:.0f} kPa")
    depth = f" ({', '.join(deep)})" if deep else ""
    yield (
        f"  {event.time_s:9.2f} s  {event.action.word.replace('_', ' '):<11}  "
        f"{event.what.label} {until}{depth}"
    )
    why = event.explanation
    yield f"             at {event.action_time_s:.2f} s: {why[:1].lower()}{why[1:]}"
    yield f"             {event.what.severity.value}; check first {event.what.check_first}"
    if event.action >= Action.PULL_TIMING:
        yield f"             {event.intervals.in_words()}"
    if len(event.steps) > 1:
        steps = ", ".join(
            f"{step.action.replace('_', ' ')} at {step.time_s:.2f} s ({step.fhti_s:.2f} s)"
            for step in event.steps
        )
        yield f"             {steps}"
