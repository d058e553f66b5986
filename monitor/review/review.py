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
from monitor.review.judging import Judging
from monitor.review.log import Log, Progress, open_log
from monitor.review.pull_account import PEAKS, PullAccount, PullAccounts
from monitor.review.spray_account import SprayAccount
from monitor.review.traces import Thinner, Trace, drawn, joined
from monitor.sources.logs.bounded_lines import FIELDS
from monitor.sources.logs.own_clock import OwnClock
from rules.channels import CHANNELS, DELIVERED, TANK, TIME
from rules.events import Event
from rules.facts import Action
from rules.handling import slowest_period_s
from rules.step.from_rig import witness_column
from rules.step.state import FINDING_NAMES, UNDER_DELIVERY, State
from simulator.rig import Change, changes
from simulator.strict import BadInput, called, clean

NOT_JUDGED: Final = "found no row that could be judged, expected every essential channel healthy"
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
    judging, pulls = Judging(log), PullAccounts(log.rig_file.rig)
    in_force, thinner = log.own, Thinner()
    expected = 0 if progress is None else log.expected_rows()
    rows = 0
    for block, judged in judging:
        if progress is not None:
            progress(log.share(rows, expected))
        rows += len(block.rows)
        result.span.take(block.as_read)
        if log.own is None and result.step_s is None:
            result.step_s = _median_step_s(block.as_read)
        if block.rig_file is not None and in_force is not None:
            news = NewTerms(State.of_flat(judged.state).time_s, changes(in_force, block.rig_file))
            result.new_terms.append(news)
            in_force = block.rig_file
        sent = readings_of(block.rows)
        result.judged += int(np.count_nonzero(judged.judged & sent))
        result.blind_ticks += int(np.count_nonzero(~judged.judged & ~sent))
        spray = result.spray.take(judged.constants, judged.every, judged.judged)
        seen = None
        if traced:
            seen = drawn(block.rows, judged.every, judged.constants)
            thinner.take(judged.every["time_s"], judged.every["clock_s"], seen)
        pulls.take(block, judged, spray, seen)
        known_at = np.flatnonzero(np.isfinite(block.rows[:, TANK]))
        if len(known_at):
            first_ml, last_ml = block.rows[known_at[[0, -1]], TANK].tolist()
            result.tank_ml = first_ml if result.tank_ml is None else result.tank_ml[0], last_ml
        if judged.differs_at is not None and result.differs_at_s is None:
            result.differs_at_s = float(block.rows[judged.differs_at, TIME])
    judge, mistakes = judging.judge, judging.mistakes
    judge.finish()
    result.spray.finish()
    result.events = judge.events
    pulls.finish(judge.events, judge.rig, judge.constants)
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
    steps_s = np.sort(steps_s[np.isfinite(steps_s)])
    return float(steps_s[len(steps_s) // 2]) if len(steps_s) else None
