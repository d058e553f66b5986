"""A proof by recorded drives: a mark says when a fault began and which, the rules decide again.

What nobody marked counts as healthy. A fault lasts until a mark says that it is over, until the
next one, or until the log ends; healthy time goes on once nothing is asked for any more.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import inf, isfinite, nan
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.proof.asked import fault_named
from monitor.proof.open_loop import anything_judged, limited, not_judged
from monitor.review.decide_log import decide
from monitor.review.decided_log import Decided
from monitor.review.log import open_log
from monitor.review.marks import read_marks
from monitor.review.pieces import PIECE_ROWS
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from rules.step.state import Decision
from simulator.coverage.matrix import found_in
from simulator.plant import Fault, FaultKind
from simulator.proof.calm import counted_alone
from simulator.proof.false_pulls import Watched, counted
from simulator.proof.outcomes import Outcome, outcome
from simulator.proof.requirements import Requirement, Requirements
from simulator.proof.results import Proof, RowSoFar
from simulator.rig import RigFile
from simulator.strict import clean

FAULT: Final = "fault"  # a mark of one begins so
OVER: Final = "over"
LOOKED_S: Final = 60.0  # what comes later after a fault is no answer to it
MOST_FAULTS: Final = 100_000
DOES_NOT_PROVE: Final = (
    "Logs are decided again, and nothing that is decided reaches the car: this shows when the "
    "rig's guard acts on what was recorded, as exactly as the marks stand, and nothing of harm or "
    "of work lost. Gear and ambient aren't looked at, and what nobody marked counts as healthy. "
    "The dry limit is proven on a dyno, and the failsafe by a trip in the car."
)


class Marked(NamedTuple):
    """A fault that somebody marked: in which log, when on its axis (s), and how it is called."""

    path: Path
    time_s: float
    fault: str


class LogProof:
    """A proof by logs, one after the other.

    Args:
        requirements: What is to be proven.
        rig_file: By which the logs are judged.

    Attributes:
        marked: The faults that were marked; an outcome's number is its place among them.
        unmatched: Marks that no row asks about, a sentence each.
    """

    def __init__(self, requirements: Requirements, rig_file: RigFile) -> None:
        self.marked: list[Marked] = []
        self.unmatched: list[str] = []
        self._asked = requirements
        self._rig_file = rig_file
        self._outcomes: dict[str, list[Outcome]] = {
            row.name: [] for row in requirements.requirements
        }
        self._watched: list[Watched] = []

    def take(self, path: Path, name: str, rig: str) -> None:
        """Judge a log.

        Args:
            path: The log, or a session's folder.
            name: How it is called.
            rig: Rig file or shipped name, the proof's.

        Raises:
            BadInput: It, or its marks, can't be read or used.
        """
        log = open_log(path, rig)
        try:
            marks = [(mark.time_s, _words(mark.text)) for mark in read_marks(log).marks]
            faults = [(time_s, words) for time_s, words in marks if words is not None]
            decided = decide(log, self._rig_file)
            ends_s = [time_s for time_s, _ in faults[1:]] + [inf]
            for (time_s, words), end_s in zip(faults, ends_s, strict=False):
                if words != OVER:
                    self._fault(decided, Marked(path, time_s, words), end_s, name)
            nil_ml_min = constants_of(self._rig_file.rig).nil_ml_min
            self._watched.append(counted(nil_ml_min, _healthy(decided, faults)))
        finally:
            log.close()

    def proof(self, about: dict[str, Any]) -> Proof:
        """Return what all logs came to."""
        rows = []
        for row in self._asked.requirements:
            so_far = RowSoFar(None, row, MOST_FAULTS)
            if anything_judged(row, tells_action=True):
                so_far.add(self._outcomes[row.name])
            result = so_far.result()
            if not self._outcomes[row.name]:
                result = replace(result, reason="no marked fault is one of these")
            rows.append(limited(result, not_judged(row, tells_action=True)))
        calms = tuple(counted_alone(calm, self._watched) for calm in self._asked.calm)
        return Proof(about, tuple(rows), calms, does_not_prove=DOES_NOT_PROVE)

    def _fault(self, decided: Decided, marked: Marked, end_s: float, name: str) -> None:
        """Take what came of a fault, for each row that asks about it."""
        rows = [row for row in self._asked.requirements if _called(row) == marked.fault]
        told = f"{clean(name)} at {marked.time_s:z.2f} s: {FAULT} {clean(marked.fault, 60)}"
        if not rows:
            self.unmatched.append(f"{told}: no row asks about it")
            return
        if not decided.from_s <= marked.time_s <= decided.to_s:
            self.unmatched.append(f"{told}: the log holds no such time")
            return
        at = decided.index_at(marked.time_s)
        there = [row for row in rows if self._is_at(row, decided.decision(at))]
        if not there:
            self.unmatched.append(f"{told}: boost or command there is none that a row asks about")
            return
        longest_s = max([LOOKED_S] + [row.within_s for row in there if isfinite(row.within_s)])
        # The action that stands at the onset came before it.
        _, to = decided.rows_between(marked.time_s, min(end_s, marked.time_s + longest_s))
        before = max(at - 1, 0)
        axis_s = np.array([decided.time_s(i) for i in range(before, to)])
        found = found_in(decided.decisions(before, to), axis_s, marked.time_s)
        came = outcome(len(self.marked), found, nan)._replace(harm=nan)
        self.marked.append(marked)
        for row in there:
            self._outcomes[row.name].append(came)

    def _is_at(self, row: Requirement, decision: Decision) -> bool:
        """Return whether a row's operating point is there, as far as a log tells; unknown isn't."""
        rig = self._rig_file.rig
        (probe,) = row.point.scenario(rig, (Fault(FaultKind.PUMP_STOP),)).faults
        boost_kpa = decision.boost_kpa
        if isfinite(probe.above_boost_kpa) and not boost_kpa > probe.above_boost_kpa:
            return False
        if isfinite(probe.below_boost_kpa) and not boost_kpa < probe.below_boost_kpa:
            return False
        low, high = row.command
        if low <= 0.0 and high == inf:
            return True
        full_ml_min = full_flow_ml_min(constants_of(rig), boost_kpa)
        return low <= decision.commanded_ml_min / max(full_ml_min, 1.0) <= high


def _words(text: str) -> str | None:
    """Return the fault that a mark's text names, up to a colon; None where it is no fault's."""
    first, _, rest = _plain(text.partition(":")[0]).partition(" ")
    return rest if first == FAULT else None


def _called(row: Requirement) -> str:
    return _plain(" and ".join(map(fault_named, row.faults)))


def _plain(text: str) -> str:
    return " ".join(text.casefold().replace("_", " ").replace("%", " %").split())


def _healthy(decided: Decided, faults: Sequence[tuple[float, str]]) -> Iterator[Any]:
    """Yield the decisions of all rows in which no marked fault is there, or still acted on."""
    at, is_faulty, is_over = 0, False, True
    ends = [(decided.index_at(time_s), words) for time_s, words in faults]
    for index, words in [*ends, (decided.rows, OVER)]:
        for start in range(at, index if is_over else at, PIECE_ROWS):
            decisions = decided.decisions(start, min(start + PIECE_ROWS, index))
            if is_faulty:
                quiet = np.flatnonzero(Decision.named(decisions)["level"].max(axis=1) == 0.0)
                decisions = decisions[quiet[0] :] if len(quiet) else decisions[:0]
            if len(decisions):
                is_faulty = False
                yield decisions
        at, is_over = index, words == OVER
        is_faulty = is_faulty or not is_over
