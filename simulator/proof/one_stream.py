"""Many guards on one stream: a car is driven once, and each of them judges its rows.

That holds up to a guard's first action on the engine, as until then none has changed anything: what
it found, and when it acted first, is bit for bit what it would have come to with its own car. What
follows an action (a cut after a pull, harm, work) has to be driven for each guard by itself.
"""

from collections.abc import Sequence
from math import inf, isfinite
from typing import Any

import numpy as np

from rules.facts import Action, Rig
from rules.guard import Guard
from rules.step.state import Decision
from simulator.coverage.matrix import found_in
from simulator.proof.outcomes import CHUNK, Cars, Outcome, outcome, staged, watched
from simulator.proof.requirements import Requirement
from simulator.proof.results import delay_s
from simulator.runs import Drive


def told_by_first_action(requirement: Requirement) -> bool:
    """Return whether a guard's first action on the engine tells if a run passes."""
    costs = (requirement.harm_at_most, requirement.work_lost_at_most_kj)
    return requirement.at_most is not Action.PULL_TIMING and not any(map(isfinite, costs))


def first_actions(
    cars: Cars, guards: Sequence[Rig], requirement: Requirement, chunk: int
) -> list[list[Outcome]]:
    """Run one chunk of a requirement once; return what each guard shows of it, compiled.

    Up to its first action on the engine, that is: no harm, no work, nothing harder later. Where it
    acted before the fault began, or a cut is asked for and a pull came first, its own car is driven
    and all of it is told.

    Args:
        cars: The cars; their guard takes no part.
        guards: The guards' rigs, each with the channels that the cars have.
        requirement: The row.
        chunk: Which chunk.
    """
    runs = [_on_one(cars, guards, requirement, chunk * CHUNK + i) for i in range(CHUNK)]
    return [list(of_guard) for of_guard in zip(*runs, strict=True)]


def with_actions(
    cars: Cars, guards: Sequence[Rig], requirement: Requirement, chunk: int
) -> list[list[Outcome]]:
    """Run one chunk of a requirement for each guard by itself, which acts on its car, compiled."""
    runs = [staged(cars, requirement, chunk * CHUNK + i) for i in range(CHUNK)]
    return [[watched(*run, guard) for run in runs] for guard in guards]


def _on_one(
    cars: Cars, guards: Sequence[Rig], requirement: Requirement, number: int
) -> list[Outcome]:
    scenario, drawn, twin_kj = staged(cars, requirement, number)
    if scenario is None:
        return [Outcome(number)] * len(guards)
    drive = Drive(scenario, drawn.seed, guarded=False, compiled=True)
    blocks = list(drive)
    rows = np.concatenate([block.rows for block in blocks])
    came_s = np.concatenate([block.came_s for block in blocks])
    onset_s = min(span.begins_s for span in drive.spans)
    return [
        _judged(guard, rows, came_s, onset_s, requirement, number)
        or watched(scenario, drawn, twin_kj, guard)
        for guard in guards
    ]


def _judged(
    guard: Rig, rows: Any, came_s: Any, onset_s: float, requirement: Requirement, number: int
) -> Outcome | None:
    """Return what rows tell up to the first action; None where that isn't what is asked."""
    decisions = Guard(guard).run_rows(rows)
    named = Decision.named(decisions)
    acts = (named["retard_deg"] > 0.0) | (named["boost_ceiling_kpa"] < inf)
    acted = bool(acts.any())
    end = int(np.argmax(acts)) + 1 if acted else len(rows)
    if not isfinite(onset_s) or came_s[end - 1] < onset_s:
        return None
    seen = outcome(number, found_in(decisions[:end], came_s[:end], onset_s), 0.0)
    return None if acted and not isfinite(delay_s(requirement, seen)) else seen
