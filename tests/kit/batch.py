"""Whole runs at once, compiled: the car and the very decision code that a live guard runs."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from rules.channels import ROW_WIDTH
from rules.facts import Rig
from rules.guard import Guard
from rules.step.state import N_DECISION
from simulator.plant import compiled
from simulator.plant.car import Car
from simulator.plant.script import Scenario
from simulator.plant.truth import TRUTH_NAMES, Report
from simulator.plant.wire import MOST_ROWS


def quick_guard(rig: Rig) -> Guard:
    """Return a guard that steps compiled: three times as fast, the same to the last bit."""
    guard = Guard(rig)
    guard.use_compiled()
    return guard


@dataclass(frozen=True, slots=True)
class Run:
    """A whole run.

    Attributes:
        report: What it cost.
        rows: Rows that came down the wire, ticks for silence included, (n, ROW_WIDTH).
        decisions: The decision after each row, (n, N_DECISION); (0, 0) without a guard.
        truths: By sample, the columns of ``TRUTH_COLUMNS``; no columns unless asked for.
    """

    report: Report
    rows: Any
    decisions: Any
    truths: Any


def run_whole(
    scenario: Scenario,
    seed: int,
    *,
    guarded: bool = True,
    keep: bool = True,
    truth: bool = False,
) -> Run:
    """Drive a scenario to its end, a guard acting on the car or not.

    Args:
        scenario: What to drive.
        seed: 0 or more.
        guarded: Whether a guard decides and its actions reach the car.
        keep: Keep rows and decisions.
        truth: Keep the truth.
    """
    car = Car(scenario.rig, scenario, seed, compiled=True)
    guard = Guard(scenario.rig)
    constants, states = guard.arrays()
    flat = states.view(np.float64)
    samples = car.samples
    most = samples * MOST_ROWS if keep else 1
    rows = np.empty((most, ROW_WIDTH if keep else 0))
    decisions = np.empty((most, N_DECISION if keep and guarded else 0))
    truths = np.full((samples, len(TRUTH_NAMES) if truth else 0), np.nan)
    n = 0
    while not car.finished:
        first, last, parts = car.block()
        done = car.count
        written = compiled.drive_on(
            *parts,
            first,
            last,
            guarded,
            constants,
            states,
            flat,
            rows[n:] if keep else rows,
            truths[done:],
            decisions[n:] if keep else decisions,
        )
        car.check()
        n += written if keep else 0
        car.count += last - first
    if not keep:
        n = 0
    if truth:
        truths = truths[np.isfinite(truths[:, 0])]  # a log that is cut ends the drive early
    return Run(
        car.report,
        rows[:n],
        decisions[: n if guarded else 0],
        truths[:, 1:],
    )
