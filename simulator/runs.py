"""A scenario driven to its end, a block at a time: compiled or interpreted, alike to the last bit.

A guard always watches; whether it also acts on the car is the caller's choice.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf
from typing import Any, Final

import numpy as np

from rules.channels import NOT_SENT, ROW_WIDTH, Sample
from rules.facts import Rig
from rules.guard import Guard
from rules.step.state import N_DECISION
from simulator.plant import Car, FaultKind, Report, Scenario
from simulator.plant.car import NO_CEILING_KPA
from simulator.plant.state import MOST_LATE
from simulator.plant.truth import TRUTH_NAMES, truth_row
from simulator.plant.wire import MOST_ROWS

_CEILING: Final = TRUTH_NAMES.index("true_ceiling_kpa")
_TAIL: Final = 2 * MOST_LATE  # samples whose rows may still be under way
_SAME_S: Final = 1.0  # a row dated farther than this from when it came has another clock
_HALF_STEP_S: Final = 5e-5  # sample times are whole tenths of a millisecond


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of a drive, at most some forty seconds of it.

    Attributes:
        rows: What came down the wire, and ticks for silence, (n, ROW_WIDTH).
        sent: Whether each row came down the wire (False: a tick), (n,).
        decisions: The guard's decision after each row, (n, N_DECISION).
        came_s: When each row was there to be judged, seconds of true time, (n,).
        row_truths: The truth at each row's own time, (n, len(TRUTH_NAMES)).
        truths: The truth by sample, (m, len(TRUTH_NAMES)).
    """

    rows: Any
    sent: Any
    decisions: Any
    came_s: Any
    row_truths: Any
    truths: Any


@dataclass(frozen=True, slots=True)
class Span:
    """When a fault was active.

    Attributes:
        kind: What went wrong.
        channel: The sensor's channel ("" where it is no sensor).
        begins_s: Onset, seconds since the start; infinite where it never began.
        ends_s: When it was gone, or the drive over, seconds.
    """

    kind: FaultKind
    channel: str
    begins_s: float
    ends_s: float


class Drive:
    """One car on one drive.

    Args:
        scenario: What to drive.
        seed: 0 or more; the same seed gives the same bits.
        guarded: Whether the guard's actions reach the car; else it only watches.
        compiled: Run compiled: seconds to load or compile, then some hundred times real time.
        guard_rig: What the guard takes the car for; otherwise it knows the car's own rig.
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int,
        *,
        guarded: bool,
        compiled: bool,
        guard_rig: Rig | None = None,
    ) -> None:
        self.scenario = scenario
        self._guarded = guarded
        self._car = Car(scenario.rig, scenario, seed, compiled=compiled)
        self._guard = Guard(guard_rig or scenario.rig)
        self._compiled = compiled
        self._tail = np.empty((0, len(TRUTH_NAMES)))
        # Where the wire plays tricks, a row's time does not say when it came: go sample by sample.
        self._singly = any(fault.kind >= FaultKind.MESSAGES_LOST for fault in scenario.faults)

    @property
    def report(self) -> Report:
        """What the drive has cost so far."""
        return self._car.report

    @property
    def spans(self) -> tuple[Span, ...]:
        """The faults, in the scenario's order, and when each was active so far."""
        now_s = float(self._car.state.time_s)
        spans = []
        for i, fault in enumerate(self.scenario.faults):
            onset_s = float(self._car.faults[i].onset_s)
            begins_s = onset_s if onset_s <= now_s else inf
            ends_s = min(begins_s + fault.for_s, now_s)
            spans.append(Span(fault.kind, fault.channel, begins_s, ends_s))
        return tuple(spans)

    def __iter__(self) -> Iterator[Block]:
        """Drive on, block by block, to the end."""
        run = self._run_compiled() if self._compiled else self._run_interpreted()
        for rows, decisions, truths, came in run:
            truths[:, _CEILING][truths[:, _CEILING] >= NO_CEILING_KPA] = inf
            window = np.concatenate((self._tail, truths))
            picked = _samples_of(rows[:, 0], window[:, 0], came, len(self._tail))
            came_s = rows[:, 0] if came is None else truths[came, 0]
            sent = (rows[:, 1:-1] != NOT_SENT).any(axis=1)
            self._tail = window[-_TAIL:]
            yield Block(rows, sent, decisions, came_s, window[picked], truths)

    def _run_compiled(self) -> Iterator[tuple[Any, Any, Any, Any]]:
        from simulator.plant import compiled

        car, guard = self._car, self._guard
        constants, states = guard.arrays()
        flat = states.view(np.float64)
        while not car.finished:
            first, last, parts = car.block()
            samples = last - first
            rows = np.empty((samples * MOST_ROWS, ROW_WIDTH))
            decisions = np.empty((len(rows) if self._guarded else 1, N_DECISION))
            truths = np.full((samples, len(TRUTH_NAMES)), np.nan)
            came = np.empty(len(rows), dtype=np.int64) if self._singly else None
            n = 0
            at_once = 1 if self._singly else samples
            for begin in range(0, samples, at_once):
                written = compiled.drive_on(
                    *parts,
                    first + begin,
                    first + begin + at_once,
                    self._guarded,
                    constants,
                    states,
                    flat,
                    rows[n:],
                    truths[begin:],
                    decisions[n:] if self._guarded else decisions,
                )
                car.check()
                if came is not None:
                    came[n : n + written] = begin
                n += written
            car.count += samples
            rows = rows[:n]
            decided = decisions[:n] if self._guarded else guard.run_rows(rows)
            done = np.isfinite(truths[:, 0])  # a log that is cut ends the drive early
            yield rows, decided, truths[done], None if came is None else came[:n]

    def _run_interpreted(self) -> Iterator[tuple[Any, Any, Any, Any]]:
        car, guard = self._car, self._guard
        retard_deg, ceiling_kpa = 0.0, inf
        while not car.finished:
            first, last, _ = car.block()
            rows: list[Sample] = []
            decisions: list[list[float]] = []
            truths: list[tuple[float, ...]] = []
            came: list[int] = []
            for i in range(last - first):
                if car.state.unplugged == 2.0:  # the log was cut
                    break
                new = car.step(retard_deg, ceiling_kpa, ticks=True)
                for sample in new:
                    decision = guard.step(sample)
                    if self._guarded:
                        retard_deg, ceiling_kpa = decision.retard_deg, decision.boost_ceiling_kpa
                    decisions.append(decision.flat())
                rows += new
                came += [i] * len(new)
                truths.append(truth_row(car.state))
            yield (
                np.array(rows, dtype=np.float64).reshape(-1, ROW_WIDTH),
                np.array(decisions, dtype=np.float64).reshape(-1, N_DECISION),
                np.array(truths, dtype=np.float64).reshape(-1, len(TRUTH_NAMES)),
                np.array(came, dtype=np.int64) if self._singly else None,
            )


def _samples_of(row_s: Any, sample_s: Any, came: Any, skip: int) -> Any:
    """Return for each row the index of the sample that was newest at the row's own time.

    Args:
        row_s: The rows' times.
        sample_s: The samples' true times, ascending.
        came: With which sample each row came, counted from ``skip``; None: with that of its time.
        skip: How many samples of ``sample_s`` came before.
    """
    by_time = np.searchsorted(sample_s, row_s + _HALF_STEP_S, side="right") - 1
    by_time = np.clip(by_time, 0, max(len(sample_s) - 1, 0))
    if came is None:
        return by_time
    here = came + skip
    return np.where(np.abs(row_s - sample_s[here]) < _SAME_S, by_time, here)
