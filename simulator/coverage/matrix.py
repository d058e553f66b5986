"""Fault coverage: every fault at every operating point, what ought to be found, and what is.

A cell is one case at one operating point: some closed-loop runs, each a car of its own, the guard
acting. Run ``i`` is the same car in every cell, so cells compare like with like.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from math import inf, isfinite
from multiprocessing import get_context
from signal import SIG_DFL, SIGINT, signal
from typing import Any, Final, NamedTuple

import numpy as np

from rules.facts import Action, Rig
from rules.step.state import FINDING_NAMES, Decision
from simulator.coverage.cases import CASES
from simulator.coverage.expectation import Case, Expectation, expected
from simulator.coverage.points import POINTS, Point
from simulator.plant import Scenario
from simulator.plant.truth import TRUTH_NAMES
from simulator.runs import Drive

MOST_RUNS: Final = 1000
_HALF: Final = 2**31  # seeds below it tune, from it on they judge
_LASTS_S: Final = 1.0
_MISSING: Final = TRUTH_NAMES.index("true_missing")
_ACTS: Final = tuple(Action)[1:]
_CHUNK: Final = 4  # cells a worker takes at a time


class State(StrEnum):
    """How expectation and runs agree."""

    AS_EXPECTED = "as expected"
    QUIET = "quiet"  # nothing was demanded, nothing came
    ALLOWED = "allowed"  # nothing was demanded; what came may come
    MISSED = "missed"
    ODD = "odd"
    NOT_TESTED = "not tested"
    NOT_APPLICABLE = "not applicable"


class Found(NamedTuple):
    """What one run showed.

    Attributes:
        began: Whether the fault began at all.
        raised: Name and delay from onset (seconds) of each finding it raised.
        action_s: Delay from onset to the first action on the engine, seconds; infinite: none.
        harm: Knock harm from beginning to end.
        missing: Largest share of the spray missing, mean over a second after onset, in truth.
        onset_s: When the fault began, seconds since the start; infinite: never.
        acts_s: Delay from onset to the first warning, pull of timing and cut of boost, or more,
            seconds; infinite: none. What is asked for anew counts, though it was done already.
        worst: The hardest action since the onset.
        before: The hardest before it.
        work_kj: Work at the crank from beginning to end.
    """

    began: bool
    raised: tuple[tuple[str, float], ...]
    action_s: float
    harm: float
    missing: float
    onset_s: float = inf
    acts_s: tuple[float, float, float] = (inf, inf, inf)
    worst: Action = Action.NO_ACTION
    before: Action = Action.NO_ACTION
    work_kj: float = 0.0


@dataclass(frozen=True, slots=True)
class Cell:
    """One case at one operating point.

    Attributes:
        case: The case.
        point: The operating point.
        expectation: What ought to happen.
        state: How that and the runs agree.
        runs: Runs in which the fault began.
        missed: Of those, runs in which something expected did not come.
        odd: Runs in which something came that has no reason to.
        raised: Findings and the share of runs that raised each, in the rules' order.
        first_s: Median delay from onset to the first finding, seconds; infinite: in most runs none.
        action_s: The same for the first action on the engine.
        harm: Median knock harm.
        missing: Median of the largest share of the spray missing over a second, in truth.
        why: Why it was not tested, or does not apply.
    """

    case: Case
    point: Point
    expectation: Expectation
    state: State
    runs: int = 0
    missed: int = 0
    odd: int = 0
    raised: dict[str, float] = field(default_factory=dict)
    first_s: float = inf
    action_s: float = inf
    harm: float = 0.0
    missing: float = 0.0
    why: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types; a time that never came is null."""
        return {
            "fault": self.case.name,
            "point": self.point.key,
            "state": self.state.value,
            "expected": [sorted(group) for group in self.expectation.needs],
            "allowed": sorted(self.expectation.may),
            "because": self.why or self.expectation.why,
            "runs": self.runs,
            "runs_missed": self.missed,
            "runs_odd": self.odd,
            "raised": self.raised,
            "median_first_finding_s": self.first_s if isfinite(self.first_s) else None,
            "median_action_s": self.action_s if isfinite(self.action_s) else None,
            "median_harm": self.harm,
            "median_missing": self.missing,
        }


def evaluation_seed(index: int) -> int:
    """Return the seed of evaluation run ``index``, 0 to 2**31 - 1: 2**31 and up.

    A threshold chosen on the very cars it is judged by looks better than it is. So whatever is
    fitted, tuned or looked at while rules are written takes seeds below 2**31, as scenario files
    do, and whatever is reported takes these.

    Raises:
        ValueError: The index is out of range.
    """
    if not 0 <= index < _HALF:
        raise ValueError(f"seed index: found {index}, expected 0 to {_HALF - 1}")
    return _HALF + index


def cover(
    rig: Rig,
    runs: int,
    seed: int = 0,
    *,
    workers: int = 1,
    cases: Sequence[Case] = CASES,
    points: Sequence[Point] = POINTS,
    compiled: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> list[Cell]:
    """Run the matrix; return its cells, row by row.

    Args:
        rig: The car.
        runs: Runs a cell, 1 to 1000.
        seed: Which set of evaluation seeds, 0 to 1,000,000; sets do not overlap.
        workers: Processes; 1 runs here. The result is the same whatever their number.
        cases: Rows.
        points: Columns.
        compiled: Run compiled (interpreted is for tests of a cell or two).
        progress: Called now and then with cells done and cells in all.
    """
    seeds = tuple(evaluation_seed(seed * MOST_RUNS + i) for i in range(runs))
    grid = [(case, point, expected(case, point.key, rig)) for case in cases for point in points]
    tested = [i for i, (_, _, expectation) in enumerate(grid) if not expectation.not_applicable]
    scenarios = [grid[i][1].scenario(rig, grid[i][0].faults) for i in tested]
    results: dict[int, list[Found]] = {}
    for i, found in zip(tested, _results(scenarios, seeds, workers, compiled), strict=True):
        results[i] = found
        if progress is not None:
            progress(len(results), len(tested))
    return [judge(*cell, results.get(i, [])) for i, cell in enumerate(grid)]


def run_cell(scenario: Scenario, seeds: Sequence[int], compiled: bool) -> list[Found]:
    """Run one cell's cars; the order is that of the seeds."""
    return [observe(scenario, seed, compiled) for seed in seeds]


def observe(
    scenario: Scenario, seed: int, compiled: bool = True, guard_rig: Rig | None = None
) -> Found:
    """Drive once, the guard acting, and return what it found after the first fault's onset.

    Without a fault everything counts that is found from the start on.

    Args:
        scenario: What to drive.
        seed: Which car.
        compiled: Run compiled.
        guard_rig: What the guard takes the car for; otherwise it knows the car's own rig.
    """
    drive = Drive(scenario, seed, guarded=True, compiled=compiled, guard_rig=guard_rig)
    blocks = list(drive)
    decisions = np.concatenate([block.decisions for block in blocks])
    came_s = np.concatenate([block.came_s for block in blocks])
    onset_s = min((span.begins_s for span in drive.spans), default=0.0)
    work_kj = drive.report.work_kj
    if not isfinite(onset_s):
        return Found(False, (), inf, drive.report.harm, 0.0, work_kj=work_kj)
    truths = np.concatenate([block.truths for block in blocks])
    since = truths[truths[:, 0] >= onset_s, _MISSING]
    missing = _lasting(since, round(_LASTS_S * scenario.rate_hz))
    found = found_in(decisions, came_s, onset_s)
    return found._replace(harm=drive.report.harm, missing=missing, work_kj=work_kj)


def found_in(decisions: Any, came_s: Any, onset_s: float) -> Found:
    """Return what decisions alone show of a fault that began; what it cost is nil.

    Args:
        decisions: After each row, (n, N_DECISION).
        came_s: When each row came, (n,), seconds.
        onset_s: The onset, finite.
    """
    named = Decision.named(decisions)
    levels = named["level"] > 0.0
    raised = []
    for i, name in enumerate(FINDING_NAMES):
        at_s = _first_rise_s(levels[:, i], came_s, onset_s)
        if isfinite(at_s):
            raised.append((name, at_s - onset_s))
    asked = np.column_stack((named["action"], named["level"]))
    warn_s, pull_s, cut_s = (
        _first_rise_s(asked >= act, came_s, onset_s) - onset_s for act in _ACTS
    )
    since = came_s >= onset_s
    before, worst = (Action(int(named["action"][of].max(initial=0.0))) for of in (~since, since))
    acts_s = (warn_s, pull_s, cut_s)
    return Found(True, tuple(raised), pull_s, 0.0, 0.0, onset_s, acts_s, worst, before)


def judge(case: Case, point: Point, expectation: Expectation, found: Sequence[Found]) -> Cell:
    """Compare what runs showed with what was expected.

    Args:
        case: The case.
        point: The operating point.
        expectation: What ought to happen.
        found: The runs; none where the cell was not run.
    """
    if expectation.not_applicable:
        state, why = State.NOT_APPLICABLE, expectation.not_applicable
        return Cell(case, point, expectation, state, why=why)
    begun = [run for run in found if run.began]
    if not begun:
        why = f"the operating point was not reached in {len(found)} runs"
        return Cell(case, point, expectation, State.NOT_TESTED, why=why)
    allowed = expectation.may.union(*expectation.needs)
    met = missed = odd = 0  # met: runs in which anything was demanded
    counts = dict.fromkeys(FINDING_NAMES, 0)
    for run in begun:
        names = {name for name, _ in run.raised}
        demanded = expectation.needs if run.missing >= expectation.least_missing else ()
        met += bool(demanded)
        missed += any(not group & names for group in demanded)
        odd += not names <= allowed
        for name in names:
            counts[name] += 1
    any_raised = any(counts.values())
    if missed:
        state = State.MISSED
    elif odd:
        state = State.ODD
    elif met:
        state = State.AS_EXPECTED
    else:
        state = State.ALLOWED if any_raised else State.QUIET
    return Cell(
        case,
        point,
        expectation,
        state,
        runs=len(begun),
        missed=missed,
        odd=odd,
        raised={name: count / len(begun) for name, count in counts.items() if count},
        first_s=_median([min((s for _, s in run.raised), default=inf) for run in begun]),
        action_s=_median([run.action_s for run in begun]),
        harm=_median([run.harm for run in begun]),
        missing=_median([run.missing for run in begun]),
    )


def simulated_s(rig: Rig, runs: int, cases: Sequence[Case] = CASES) -> float:
    """Return how many seconds the matrix simulates in all."""
    total_s = 0.0
    for case in cases:
        for point in POINTS:
            if not expected(case, point.key, rig).not_applicable:
                total_s += runs * sum(step.for_s for step in point.drive)
    return total_s


def _results(
    scenarios: Sequence[Scenario], seeds: Sequence[int], workers: int, compiled: bool
) -> Iterator[list[Found]]:
    run = partial(run_cell, seeds=seeds, compiled=compiled)
    if workers <= 1 or len(scenarios) <= 1:
        yield from map(run, scenarios)
        return
    # Fresh processes: what a forked copy of a threaded process holds is anyone's guess.
    context = get_context("spawn")
    # Ctrl+c ends a worker at once, and silently: the first process tells it.
    n, to_default = min(workers, len(scenarios)), (SIGINT, SIG_DFL)
    with ProcessPoolExecutor(
        n, mp_context=context, initializer=signal, initargs=to_default
    ) as pool:
        yield from pool.map(run, scenarios, chunksize=_CHUNK)


def _lasting(values: Any, samples: int) -> float:
    """Return the largest mean over so many samples on end (air makes the flow ripple); 0 if few."""
    if len(values) < samples:
        return 0.0
    sums = np.cumsum(np.concatenate(([0.0], values)))
    return float((sums[samples:] - sums[:-samples]).max()) / samples


def _first_rise_s(level: Any, came_s: Any, onset_s: float) -> float:
    """Return when a level first rose at or after the onset; infinite: never.

    Args:
        level: Whether it is there: (n,), or (n, m) where any of several counts.
        came_s: When each row came, (n,).
        onset_s: The onset.
    """
    rises = level.copy()
    rises[1:] &= ~level[:-1]
    if rises.ndim > 1:
        rises = rises.any(axis=1)
    rows = np.flatnonzero(rises & (came_s >= onset_s))
    return float(came_s[rows[0]]) if len(rows) else inf


def _median(values: Sequence[float]) -> float:
    """Return the upper median; infinite where that run never got there (censored, not dropped)."""
    return sorted(values)[len(values) // 2]
