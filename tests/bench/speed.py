"""How fast the decision code steps and runs, beside a bare loop over the same rows."""

import gc
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from rules.channels import Sample
from rules.guard import Guard
from simulator.plant import run
from simulator.scenario import load_scenario
from tests.bench.table import show
from tests.kit.decisions import matrix_of


def best_s(function: Callable[[], Any], times: int = 5) -> float:
    """Return the least process time of a few runs, s."""
    least = float("inf")
    for _ in range(times):
        start = time.process_time()
        function()
        least = min(least, time.process_time() - start)
    return least


def bare_loop(rows: list[Sample]) -> float:
    """Touch two fields of every row, as the least any live judge would do."""
    short = 0.0
    for row in rows:
        short = max(0.0, short + row.commanded_ml_min - row.delivered_ml_min)
    return short


def main() -> None:
    """Measure step, run and start of the decision code."""
    scenario = load_scenario("healthy_pulls")
    samples = list(run(scenario))
    rows = np.array(samples)
    big = np.concatenate([rows] * 80)
    big[:, 0] = np.arange(len(big)) * 0.01

    def step_all() -> None:
        guard = Guard(scenario.rig)
        for sample in samples:
            guard.step(sample)

    gc.collect()
    gc.freeze()  # as the guard's process does
    start = time.perf_counter()
    Guard(scenario.rig).run_changes(rows)
    first_s = time.perf_counter() - start
    Guard(scenario.rig).run_rows(rows)
    bare = best_s(lambda: bare_loop(samples)) / len(samples)
    step = best_s(step_all) / len(samples)

    def step_all_compiled() -> None:
        guard = Guard(scenario.rig)
        guard.use_compiled()
        for sample in samples:
            guard.step(sample)

    step_all_compiled()
    compiled = best_s(step_all_compiled) / len(samples)
    changes = best_s(lambda: Guard(scenario.rig).run_changes(big)) / len(big)
    full = best_s(lambda: Guard(scenario.rig).run_rows(big)) / len(big)
    guard = Guard(scenario.rig)
    live = matrix_of(guard.step(s) for s in samples)
    same = np.array_equal(live, Guard(scenario.rig).run_rows(rows), equal_nan=True)
    n_channels = len(scenario.rig.channels)
    show(
        f"Decision code, {n_channels} channels mapped (bar: step <= 5 us, run >= 3 M/s)",
        ("what", "us a sample", "samples/s", "x bare Python loop"),
        [
            ("bare loop, two fields", f"{bare * 1e6:.3f}", f"{1 / bare:,.0f}", "1"),
            (
                "live step, interpreted",
                f"{step * 1e6:.2f}",
                f"{1 / step:,.0f}",
                f"{step / bare:.1f}",
            ),
            (
                "live step, compiled (where it was compiled before)",
                f"{compiled * 1e6:.2f}",
                f"{1 / compiled:,.0f}",
                f"{compiled / bare:.1f}",
            ),
            (
                "batch, compiled, changes only",
                f"{changes * 1e6:.3f}",
                f"{1 / changes:,.0f}",
                f"{changes / bare:.2f}",
            ),
            (
                "batch, compiled, every decision",
                f"{full * 1e6:.3f}",
                f"{1 / full:,.0f}",
                f"{full / bare:.2f}",
            ),
            ("first batch in this process (load or compile)", f"{first_s:.2f} s", "", ""),
            ("live equals batch, bit for bit", str(same), "", ""),
        ],
    )
