"""Many settings on one stream, beside a drive for each: ``python -m tests.bench prove``."""

import time
from collections.abc import Callable
from dataclasses import replace
from itertools import product
from typing import Any, Final

from rules.facts import Rig
from simulator.coverage.points import POINTS
from simulator.plant import Fault, FaultKind
from simulator.proof.limits import in_order
from simulator.proof.one_stream import first_actions, with_actions
from simulator.proof.outcomes import CHUNK, Cars
from simulator.proof.population import Population, filled
from simulator.proof.requirements import Requirement
from simulator.rig import find_rig, load_rig
from tests.bench.table import note, show

ROW: Final = Requirement(
    "pump stop",
    (Fault(FaultKind.PUMP_STOP),),
    next(point for point in POINTS if point.key == "high"),
)
WORKERS: Final = 2
CHUNKS: Final = 8
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
    run: Callable[..., Any], cars: Cars, guards: list[Rig], chunks: int
) -> tuple[float, list[Any]]:
    """Return how long that took on two processes, loading left out, and what it came to."""
    tasks = [(cars, guards, ROW, chunk) for chunk in range(WORKERS + chunks)]
    found, begin_s = [], 0.0
    for i, came in enumerate(in_order(run, tasks, WORKERS)):
        found.append(came)
        if i == WORKERS - 1:  # both have loaded
            begin_s = time.perf_counter()
    return time.perf_counter() - begin_s, found


def main(chunks: int = CHUNKS) -> None:
    """Measure, and print what ten thousand pulls would take."""
    rig_file = load_rig(find_rig("brindle"))
    rig = rig_file.rig
    cars = Cars(rig, rig, filled(Population(), rig, rig_file.time.period_s), ~0)
    guards, pulls = settings(rig), chunks * CHUNK
    one_s, ahead = took(first_actions, cars, guards, chunks)
    each_s, closed = took(with_actions, cars, guards, chunks)
    alike = all(
        (one.onset_s, one.found_s, one.pull_s) == (other.onset_s, other.found_s, other.pull_s)
        for both in zip(ahead, closed, strict=True)
        for of_guard in zip(*both, strict=True)
        for one, other in zip(*of_guard, strict=True)
    )
    rows = [
        (name, f"{took_s:.1f} s", f"{took_s / pulls * WANTED / 60.0:.0f} min")
        for name, took_s in (("one stream for all", one_s), ("a drive for each", each_s))
    ]
    head = ("", f"{pulls} pulls x {len(guards)} settings", f"{WANTED} pulls would take")
    show(f"Sweep, {WORKERS} processes", head, rows)
    note(f"ratio {each_s / one_s:.1f}; first actions are {'the same' if alike else 'NOT THE SAME'}")
