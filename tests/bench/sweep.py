"""Many settings on one stream, beside a drive for each: ``python -m tests.bench prove``, last."""

import time
from collections.abc import Callable
from dataclasses import replace
from itertools import product
from typing import Final

from rules.facts import Rig
from simulator.coverage.points import POINTS
from simulator.plant import Fault, FaultKind
from simulator.proof.one_stream import first_actions, with_actions
from simulator.proof.outcomes import CHUNK, Cars, Outcome
from simulator.proof.population import Population, filled
from simulator.proof.requirements import Requirement
from tests.bench.table import note, show
from tests.kit.proofs import brindle

ROW: Final = Requirement(
    "pump stop",
    (Fault(FaultKind.PUMP_STOP),),
    point=next(point for point in POINTS if point.key == "high"),
)
CHUNKS: Final = 4
EVERY_H: Final = (1.0, 10.0, 100.0, 1000.0, 10_000.0)
GAINS: Final = (0.02, 0.04, 0.06, 0.08, 0.1)
WANTED: Final = 10_000  # pulls


def settings(rig: Rig) -> list[Rig]:
    """Return 25 settings of a rig."""
    return [
        replace(
            rig,
            debt=replace(rig.debt, false_pull_every_h=every_h),
            flow_sensor=replace(rig.flow_sensor, gain_within=gain),
        )
        for every_h, gain in product(EVERY_H, GAINS)
    ]


def took(
    run: Callable[..., list[list[Outcome]]], cars: Cars, guards: list[Rig], chunks: int
) -> tuple[float, list[list[Outcome]]]:
    """Return how long that took of one core, s, loading left out, and what it came to."""
    run(cars, guards[:1], ROW, 0)
    begin_s = time.process_time()
    found = [of_guard for chunk in range(chunks) for of_guard in run(cars, guards, ROW, chunk)]
    return time.process_time() - begin_s, found


def main(chunks: int = CHUNKS) -> None:
    """Measure, and print what ten thousand pulls would take of two cores."""
    rig_file = brindle()
    rig = rig_file.rig
    cars = Cars(rig, rig, filled(Population(), rig, rig_file.time.period_s), ~0)
    guards, pulls = settings(rig), chunks * CHUNK
    one_s, ahead = took(first_actions, cars, guards, chunks)
    each_s, closed = took(with_actions, cars, guards, chunks)
    alike = all(
        (one.onset_s, one.found_s, one.pull_s) == (other.onset_s, other.found_s, other.pull_s)
        for both in zip(ahead, closed, strict=True)
        for one, other in zip(*both, strict=True)
    )
    rows = [
        (name, f"{took_s:.1f} s", f"{took_s / pulls * WANTED / 2.0 / 60.0:.1f} min")
        for name, took_s in (("one stream for all", one_s), ("a drive for each", each_s))
    ]
    head = ("", f"{pulls} pulls x {len(guards)} settings, one core", f"{WANTED} pulls, two cores")
    show("Sweep", head, rows)
    note(f"ratio {each_s / one_s:.1f}; first actions are {'the same' if alike else 'NOT THE SAME'}")
