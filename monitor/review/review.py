"""Reading back a log or a session: the same rules, at full speed."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any, Final

import numpy as np
from msgspec import to_builtins

from monitor.attach.message_parts import EventFacts
from monitor.recorder.span import Span, readings_of
from monitor.review.done_then import DoneThen
from monitor.review.judge import Judge
from monitor.review.log import Log, Progress, open_log
from monitor.review.pull_account import PEAKS, PullAccount, PullAccounts
from monitor.review.spray_account import SprayAccount
from monitor.review.traces import Thinner, Trace, drawn, joined
from monitor.sources.logs.bounded_lines import FIELDS
from monitor.sources.logs.own_clock import OwnClock
from rules.causes.flow_timing import MOST_EDGES, FlowTiming
from rules.causes.rig_mistakes import ENOUGH_ROWS, SPACING_S, RigMistakes
from rules.channels import CHANNELS, DELIVERED, TANK, TIME
from rules.events import Event
from rules.facts import Action, Rig
from rules.handling import slowest_period_s
from rules.step.from_rig import witness_column
from rules.step.state import FINDING_NAMES, HEALTHY, UNDER_DELIVERY, Decision, State
from simulator.rig import Change, changes
from simulator.strict import BadInput, called, clean

BYTES_WORTH_COMPILING: Final = 8_000_000
# An hour at 100 rows a second: a mistake in the rig shows in the first pulls.
ROWS_LOOKED_AT: Final = 360_000
NOT_JUDGED: Final = "found no row that could be judged, expected every essential channel healthy"
# A mistake in the rig shows in the first minute of spray or never.
SPRAY_ROWS: Final = 20 * ENOUGH_ROWS
EDGES_LOOKED_AT: Final = 2 * MOST_EDGES
ALL_ARRIVED: Final = 0.97  # of what was commanded; common practice, no source


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
        source: What was read, as it is called.
        path: Where it is, as it was given.
        rig: Rig's name.
        span: How many rows it holds, ticks for silence left out, and over which time.
        judged: Of these, how many were in time, with every essential channel and the clock healthy.
        blind_ticks: Ticks for silence that went on until something essential was too old.
        events: In the order in which they were raised.
        rejected: Rows not used, by reason.
        no_numbers: Cells with text where a number belongs, read as not a number.
        lines_not_used: First lines of a CSV log with another number of fields than its header.
        no_number_cells: Where the first of them are, and what stands there.
        clock: A log's own clock, where its times don't count from its start.
        time_remark: What was made of a log's times, in a sentence; empty where nothing was.
        cut: Why a session ends early; None where it doesn't.
        reproduced: Whether a session's decisions came out the same, bit for bit; None where there
            was nothing to compare (a log, or another rig).
        differs_at_s: First time at which they didn't.
        step_s: Median time between a log's first rows; None where unknown, or for a session.
        slowest_step_s: The longest at which this rig's command can be judged where it switches.
        unacknowledged: Whether the rig wants an operator to release what is latched, and a log has
            none.
        told_by: What alone tells of missing spray where no flow is measured; empty where one is.
        new_terms: Where a session's rig was changed while the guard ran.
        mistakes: What speaks against the rig itself.
        done_then: What an older version's rules did in a session; None where today's decided it.
        spray: What was asked for and delivered, and how near to a limit it came.
        tank_ml: The tank's level, first and newest; None where none is read.
        pulls: What came of each run at full throttle, in order.
        most_throttle_pct: The most throttle that was read; minus infinite where none was.
        start_boost_kpa: The boost from which on spray is asked for, gauge.
        limits: The rig's limits by channel; infinite where there is none.
        trace: What a plot draws of it; None unless it was asked for.
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
    clock: OwnClock = field(default_factory=OwnClock)
    time_remark: str = ""
    lines_not_used: list[int] = field(default_factory=list)
    cut: str | None = None
    reproduced: bool | None = None
    differs_at_s: float | None = None
    step_s: float | None = None
    slowest_step_s: float = inf
    unacknowledged: bool = False
    told_by: str = ""
    new_terms: list[NewTerms] = field(default_factory=list)
    mistakes: list[str] = field(default_factory=list)
    done_then: tuple[DoneThen, ...] | None = None
    spray: SprayAccount = field(default_factory=SprayAccount)
    tank_ml: tuple[float, float] | None = None
    pulls: list[PullAccount] = field(default_factory=list)
    most_throttle_pct: float = -inf
    start_boost_kpa: float = 0.0
    path: Path = Path()
    limits: dict[str, float] = field(default_factory=dict)
    trace: Trace | None = None

    @property
    def rows(self) -> int:
        """Rows that hold a reading."""
        return self.span.readings or 0

    @property
    def worst(self) -> Action:
        """The worst action of any event."""
        return max((event.action for event in self.events), default=Action.NO_ACTION)

    @property
    def could_be_judged(self) -> bool:
        """Whether anything in it could be judged."""
        return bool(self.judged or self.events)

    def as_json(self) -> dict[str, Any]:
        """Return the review as plain JSON types."""
        return {
            name: list(value) if isinstance(value, Iterator) else value
            for name, value in self.facts().items()
        }

    def facts(self) -> dict[str, Any]:
        """Return the same, what grows with the log (pulls, events) as iterators."""
        return {
            "source": self.source,
            "rig": self.rig,
            "rows": self.rows,
            "judged": self.judged,
            "from_s": self.span.from_s,
            "to_s": self.span.to_s,
            "length_s": self.span.length_s,
            "clock_stepped_back": self.span.steps_back,
            "worst_action": self.worst.word,
            "rejected": self.rejected,
            "no_numbers": {"cells": self.no_numbers, "first": self.no_number_cells},
            "starts": self.clock.starts or None,
            "time_remark": self.time_remark or None,
            "cut": self.cut,
            "reproduced": self.reproduced,
            "differs_at_s": self.differs_at_s,
            "done_by_older_rules": None
            if self.done_then is None
            else [one.as_json() for one in self.done_then],
            "thresholds_changed": [new.as_json() for new in self.new_terms],
            "mistakes_in_rig": self.mistakes,
            "spray": self.spray.as_json(),
            "tank_ml": None if self.tank_ml is None else list(self.tank_ml),
            "pulls": (pull.as_json() for pull in self.pulls),
            "events": (to_builtins(EventFacts.of(event)) for event in self.events),
        }


class MistakeSearch:
    """Looks until something is found, or for a minute of spray.

    Attributes:
        found: What speaks against the rig, a sentence each.
    """

    def __init__(self, rig: Rig) -> None:
        self._of_rig = RigMistakes(rig)
        self._timing = FlowTiming(rig)
        self._looked_at = 0
        self.found: list[str] = []

    def take(self, decisions: Any) -> None:
        """Take a block of decisions, (n, N_DECISION)."""
        if self._timing.edges < EDGES_LOOKED_AT:
            self._follow(Decision.named(decisions))
        if self._has_looked():
            return
        clock_s = Decision.named(decisions)["clock_s"]
        beats = np.floor(clock_s / (0.25 * SPACING_S))
        at = np.flatnonzero(np.diff(beats, prepend=-1.0))
        for row, now_s in zip(at.tolist(), clock_s[at].tolist(), strict=True):
            if not self._of_rig.is_due(now_s):  # making a decision of a row costs more than it all
                continue
            self._of_rig.take(Decision.of_flat(decisions[row].tolist()))
            if self._of_rig.rows - self._looked_at >= ENOUGH_ROWS:
                self._look()
                if self._has_looked():
                    return

    @property
    def is_done(self) -> bool:
        """Whether no more decisions are looked at."""
        return self._has_looked() and self._timing.edges >= EDGES_LOOKED_AT

    def _has_looked(self) -> bool:
        """Whether no more rows are looked at, but for the flow's timing."""
        return bool(self.found) or self._looked_at >= SPRAY_ROWS

    def finish(self, *, false_pull: bool) -> None:
        """Look once more at what came last; ``false_pull`` as ``RigMistakes.of_delay`` has it."""
        if not self.found and self._of_rig.rows > self._looked_at:
            self._look()
        doubt = self._timing.doubt()
        if not self.found and doubt is not None:
            self.found = [doubt.sentence]
        if not self.found and false_pull:
            late = self._of_rig.of_delay(false_pull=True)
            self.found = [] if late is None else [late.sentence]

    def _follow(self, named: Any) -> None:
        """See how the flow followed the command, in the rows near any spray."""
        timing = self._timing
        clock_s = named["clock_s"]
        spray_s = clock_s[named["commanded_ml_min"] > timing.nil_ml_min]
        if not len(spray_s):
            return
        after = np.searchsorted(spray_s, clock_s)
        next_s = spray_s[np.minimum(after, len(spray_s) - 1)]
        last_s = spray_s[np.maximum(after - 1, 0)]
        near = np.minimum(abs(next_s - clock_s), abs(clock_s - last_s)) <= timing.keep_s
        near &= named["late"] == 0.0
        usable = (named["all_healthy"] != 0.0) & (named["health"][:, DELIVERED] == HEALTHY)
        columns = (
            *(clock_s, named["commanded_ml_min"], named["delivered_ml_min"], named["holds_s"]),
            usable,
        )
        for now_s, asked, reads, holds_s, is_usable in zip(
            *(column[near].tolist() for column in columns), strict=True
        ):
            timing.follow(now_s, asked, reads, holds_s, usable=is_usable)

    def _look(self) -> None:
        self._looked_at = self._of_rig.rows
        self.found = [mistake.sentence for mistake in self._of_rig.likely()]


def review(
    path: Path, rig: str | None, *, traced: bool = False, progress: Progress | None = None
) -> Review:
    """Review a session or a log (CSV, Parquet, Arrow IPC).

    Args:
        path: The session's folder, or the log.
        rig: Rig file or shipped name; a session brings its own.
        traced: Keep what a plot draws.
        progress: Told how far it is, 0 to 1.

    Raises:
        BadInput: Anything that can't be read or used; not one row in it.
    """
    log = open_log(path, rig, extra=True)
    result = Review(path.name, log.rig_file.rig.name, path=path)
    size_worth = log.own is None and path.stat().st_size > BYTES_WORTH_COMPILING
    judge = Judge(
        log.rig_file,
        log.own,
        follows=log.own_terms,
        compares=log.own is not None and log.rig_file.text == log.own.text,
        compiled=True if size_worth else None,
    )
    mistakes, pulls = MistakeSearch(log.rig_file.rig), PullAccounts(log.rig_file.rig)
    judged_by, in_force, thinner = log.rig_file, log.own, Thinner()
    expected = 0 if progress is None else log.expected_rows()
    for block in log.stream():
        if progress is not None:
            progress(log.share(judge.rows, expected))
        result.span.take(block.as_read)
        if log.own is None and result.step_s is None:
            result.step_s = _median_step_s(block.as_read)
        looked_at = judge.rows + len(block.rows) <= ROWS_LOOKED_AT
        judge.wants_all = looked_at and (block.rig_file is not None or not mistakes.is_done)
        judged = judge.take(block)
        if judged.rig_file is not judged_by:
            judged_by = judged.rig_file
            mistakes = MistakeSearch(judged_by.rig)
        if block.rig_file is not None and in_force is not None:
            news = NewTerms(State.of_flat(judged.state).time_s, changes(in_force, block.rig_file))
            result.new_terms.append(news)
            in_force = block.rig_file
        sent = readings_of(block.rows)
        result.judged += int(np.count_nonzero(judged.judged & sent))
        result.spray.take(judge.constants, judged.every, judged.judged)
        seen = None
        if traced:
            seen = drawn(block.rows, judged.every, judge.constants)
            thinner.take(judged.every["time_s"], judged.every["clock_s"], seen)
        pulls.take(block, judged, judge.constants, seen)
        levels_ml = block.rows[:, TANK]
        levels_ml = levels_ml[np.isfinite(levels_ml)]
        if len(levels_ml):
            first_ml = float(levels_ml[0]) if result.tank_ml is None else result.tank_ml[0]
            result.tank_ml = first_ml, float(levels_ml[-1])
        result.blind_ticks += int(np.count_nonzero(~judged.judged & ~sent))
        if judged.decisions is not None:
            mistakes.take(judged.decisions)
        if judged.differs_at is not None and result.differs_at_s is None:
            result.differs_at_s = float(block.rows[judged.differs_at, TIME])
    judge.finish()
    result.spray.finish()
    result.events = judge.events
    pulls.finish(judge.events, judged_by.rig, judge.constants)
    result.pulls, result.most_throttle_pct = pulls.of, pulls.finder.most_throttle_pct
    if traced:
        result.trace = joined(thinner.trace(), pulls.finer)
    mistakes.finish(false_pull=_pulled_for_nothing(result))
    result.mistakes = mistakes.found
    result.cut = log.reader.cut
    result.done_then = log.done_then
    facts = log.rig_file.rig
    result.limits = {name: getattr(facts.limits, name).above for name in PEAKS}
    result.start_boost_kpa = facts.command.start_boost_kpa
    if (witness := witness_column(facts)) != DELIVERED:
        result.told_by = CHANNELS[witness - 1].label
    if log.own is None:
        _count_what_was_not_read(result, log)
        result.slowest_step_s = slowest_period_s(facts, facts.paid.boost_kpa[-1])
        result.unacknowledged = facts.ladder.acknowledge_to_release
    elif judge.rows and (judge.compares or result.differs_at_s is not None):
        result.reproduced = result.differs_at_s is None
    if result.span.from_s is None:
        why = f" ({clean(result.cut, 200)})" if result.cut is not None else ""
        raise BadInput(f"{called(path)}: found no rows{why}, expected some")
    return result


def _pulled_for_nothing(result: Review) -> bool:
    """Whether missing spray pulled timing but never cut boost, and all spray arrived after all."""
    accused = FINDING_NAMES[UNDER_DELIVERY]
    worst = max((e.action for e in result.events if e.finding == accused), default=Action.NO_ACTION)
    spray = result.spray
    arrived = spray.delivered_ml >= ALL_ARRIVED * spray.commanded_ml
    return spray.witness == DELIVERED and worst is Action.PULL_TIMING and arrived


def _count_what_was_not_read(result: Review, log: Log) -> None:
    statistics = log.reader.statistics
    result.rejected = dict(statistics.rejected)
    result.no_numbers = statistics.no_numbers
    result.no_number_cells = log.reader.no_numbers() if result.no_numbers else []
    result.clock = log.clock
    result.time_remark = log.reader.time_remark
    if statistics.rejected.get(FIELDS):
        result.lines_not_used = log.reader.not_used()


def _median_step_s(rows: Any) -> float | None:
    steps_s = np.diff(rows[:, TIME])
    steps_s = steps_s[np.isfinite(steps_s)]
    return float(np.median(steps_s)) if len(steps_s) else None
