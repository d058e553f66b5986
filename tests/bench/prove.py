"""How fast requirements are proven: simulated hours a second, what a second core or Dask buys."""

import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Final

from monitor.proof.cluster import connected
from simulator.proof.calm import healthy_chunk
from simulator.proof.false_pulls import Watched
from simulator.proof.outcomes import CHUNK, Cars, Outcome, run_chunk
from simulator.proof.proving import Came, Job, Proving, prove_here
from tests.bench import sweep
from tests.bench.table import note, show
from tests.kit.dask_cluster import dask_cluster
from tests.kit.proofs import brindle, requirements

# So sure that nothing is ever decided: as many runs as are allowed, whatever they show.
ENDLESS: Final = """
name = "Endless"
[[requirements]]
name = "pump stop"
at = "high"
faults = [{ kind = "pump_stop" }]
action_at_least = "pull_timing"
within = "400 ms"
share = "99.99 %"
confidence = "99.99 %"
"""
CHUNKS: Final = 30
TIMES: Final = 2
# What passes the file that prove --new writes, without a failure: runs of its three rows (400, 400,
# 80), and hours of spray without a false pull.
TEMPLATE_RUNS: Final = 880
TEMPLATE_HOURS: Final = 390


def main() -> None:
    """Measure a chunk in one process, and a proof in one process and in two."""
    rig = brindle().rig
    asked = requirements(ENDLESS)
    cars = Cars(rig, rig, asked.population)
    (row,) = asked.requirements
    drive_s = sum(step.for_s for step in row.point.drive)
    run_chunk(cars, row, 0)  # loads or compiles
    runs_s = min(_process_s(lambda: run_chunk(cars, row, 1)) for _ in range(TIMES))
    seen: list[Watched] = []
    healthy_s = _process_s(lambda: seen.extend(healthy_chunk(cars, 0)))
    drives, sprayed_s = [d.driven_s for d in seen], sum(d.sprayed_s for d in seen)
    # A run is driven twice: its healthy twin first, then with the fault, the guard acting.
    show(
        "Proving, one core",
        ("what", "a second", "simulated hours a second"),
        (
            ("runs (twin and all)", f"{CHUNK / runs_s:.0f}", _hours(2.0 * CHUNK * drive_s, runs_s)),
            ("healthy drives", f"{len(drives) / healthy_s:.1f}", _hours(sum(drives), healthy_s)),
        ),
    )
    night_s = TEMPLATE_RUNS * runs_s / CHUNK + TEMPLATE_HOURS * 3600.0 * healthy_s / sprayed_s
    hours = night_s / 3600.0
    note(
        f"A pass of the fresh requirements, {TEMPLATE_RUNS} runs and {TEMPLATE_HOURS} h of spray: "
        f"{hours:.2f} core hours a car, so {1000.0 * hours:.0f} for 1000 cars."
    )
    workers(cars)
    sweep.main()


def workers(cars: Cars) -> None:
    """Measure a proof that nothing decides by one process, by two, and by two workers of Dask."""
    with (
        tempfile.TemporaryDirectory() as folder,
        dask_cluster(Path(folder), 2) as (address, _),
        connected(address) as cluster,
    ):
        ways: dict[str, Callable[..., None]] = {
            "one process": partial(prove_here, jobs=1),
            "two": partial(prove_here, jobs=2),
            "two workers of Dask": cluster.prove,
        }
        _whole_s(cluster.prove, cars)  # they load the code, as the processes do each time
        took = [
            {
                name: (_whole_s(prove, cars), _whole_s(prove, cars, 1))
                for name, prove in ways.items()
            }
            for _ in range(TIMES)
        ]
    whole_s = {name: min(turn[name][0] for turn in took) for name in ways}
    begun_s = {name: whole_s[name] - min(turn[name][1] for turn in took) for name in ways}
    one, *_ = ways
    show(
        f"The same proof of {CHUNKS * CHUNK} runs",
        ("by", "s", "as fast", "as fast, once they run"),
        tuple(
            (
                name,
                f"{whole_s[name]:.1f}",
                f"{whole_s[one] / whole_s[name]:.2f}",
                f"{begun_s[one] / begun_s[name]:.2f}",
            )
            for name in ways
        ),
    )
    note("Once they run: less what a proof of one job takes, processes started, code loaded.")


def _hours(simulated_s: float, took_s: float) -> str:
    return f"{simulated_s / 3600.0 / took_s:.3f}"


def _process_s(call: Callable[[], object]) -> float:
    begin_s = time.process_time()
    call()
    return time.process_time() - begin_s


def _whole_s(prove: Callable[..., None], cars: Cars, chunks: int = CHUNKS) -> float:
    """Return how long a proof takes that nothing decides, s."""
    proving = Proving(requirements(ENDLESS), cars, chunks * CHUNK)
    kept: dict[Job, Came] = {}
    begin_s = time.perf_counter()
    prove(proving, kept={}, keep=kept.__setitem__)
    took_s = time.perf_counter() - begin_s
    assert len(kept) == chunks
    assert isinstance(kept[Job(0, 0)][0], Outcome)
    return took_s
