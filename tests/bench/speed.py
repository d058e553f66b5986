"""How fast the decision code steps and runs: in the street, under spray, and after a fit."""

import gc
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import numpy as np

from rules.channels import Sample
from rules.facts import Rig
from rules.guard import Guard
from rules.step.state import Decision
from simulator.plant import Do, Step, run
from simulator.scenario import load_scenario
from tests.bench.table import show
from tests.kit.decisions import matrix_of

ROWS: Final = 200_000  # of a batch
STREET: Final = (Step(Do.CRUISE, 20.0, 4), Step(Do.PULL, 2.0, 3), Step(Do.CRUISE, 20.0, 3))
SPRAY: Final = (Step(Do.PULL, 8.0, 4), Step(Do.LIFT, 0.3), Step(Do.PULL, 6.0, 4))


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


def with_tolerances(facts: Rig, delay_s: float, lag_share: float) -> Rig:
    """Return the rig with its flow sensor's delay and lag known to within so much."""
    sensor = facts.flow_sensor
    return replace(
        facts,
        flow_sensor=replace(sensor, delay_within_s=delay_s, lag_within_s=lag_share * sensor.lag_s),
    )


def per_row_s(facts: Rig, samples: list[Sample]) -> tuple[float, float, float, float, bool]:
    """Return s a row live interpreted, live compiled, batch, batch whole; whether all agree."""
    rows = np.array(samples)
    times = -(-ROWS // len(rows))
    big = np.concatenate([rows] * times)
    big[:, 0] = np.arange(len(big)) * 0.01

    def step_all(guard: Guard) -> None:  # as live: nobody keeps a decision
        for sample in samples:
            guard.step(sample)

    interpreted, compiled = Guard(facts), Guard(facts)
    compiled.use_compiled()
    live = matrix_of(interpreted.step(sample) for sample in samples)
    same = np.array_equal(live, matrix_of(map(compiled.step, samples)), equal_nan=True)
    same = same and np.array_equal(live, Guard(facts).run_rows(rows), equal_nan=True)
    return (
        best_s(lambda: step_all(interpreted), 3) / len(samples),
        best_s(lambda: step_all(compiled)) / len(samples),
        best_s(lambda: Guard(facts).run_changes(big)) / len(big),
        best_s(lambda: Guard(facts).run_rows(big)) / len(big),
        same,
    )


def main() -> None:
    """Measure step, run and start of the decision code."""
    scenario = load_scenario("healthy_pulls")
    facts = scenario.rig
    street = list(run(replace(scenario, drive=STREET, faults=())))
    spray = list(run(replace(scenario, drive=SPRAY, faults=())))
    gc.collect()
    gc.freeze()  # as the guard's process does
    start = time.perf_counter()
    Guard(facts).run_changes(np.array(street))
    first_s = time.perf_counter() - start
    bare = best_s(lambda: bare_loop(spray)) / len(spray)
    body: list[tuple[object, ...]] = [
        ("bare Python loop, two fields", "", "", f"{bare * 1e6:.3f}", "", "", "", "")
    ]
    for words, rig, samples in (
        ("street", facts, street),
        ("under spray", facts, spray),
        ("under spray, after a fit", with_tolerances(facts, 0.01, 0.2), spray),
        ("under spray, delay and lag known exactly", with_tolerances(facts, 0.0, 0.0), spray),
    ):
        least = Decision.named(Guard(rig).run_rows(np.array(samples)))["least_ml_min"]
        live, compiled, changes, whole, same = per_row_s(rig, samples)
        body.append(
            (
                words,
                Guard(rig).constants.n_cars,
                f"{100.0 * np.mean(least > 0.0):.0f} %",
                *(f"{s * 1e6:.3g}" for s in (live, compiled, changes, whole)),
                f"{live / bare:.0f}, {compiled / bare:.0f}, {changes / bare:.1f}",
                same,
            )
        )
    show(
        f"Decision code, {len(facts.channels)} channels mapped, us a row (bars: live interpreted "
        "60, compiled 6; batch 1 under spray, 0.35 after a fit)",
        (
            "drive",
            "cars in the bank",
            "of it sprays",
            "live, interpreted",
            "live, compiled",
            "batch, changes",
            "batch, every decision",
            "x bare loop: live, compiled, batch",
            "all alike, bit for bit",
        ),
        body,
    )
    show(
        "Start",
        ("what", "s"),
        [("first batch in this process (load or compile)", f"{first_s:.2f}")],
    )
