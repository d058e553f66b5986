"""Logs for tests of the replay: long ones with all that goes wrong with a clock, and sessions."""

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from monitor.recorder import layout
from monitor.recorder.export import write_file
from monitor.review.decide_log import decide
from monitor.review.decided_log import Decided
from monitor.review.log import Log, open_log
from rules.channels import BOOST, ENGINE_SPEED, OPERATOR, TIME
from simulator.logfile import mapped
from simulator.rig import RigFile
from tests.kit.drives import Driven
from tests.kit.recordings import BRINDLE, Recording

LOWER = "debt.false_pull_every = 1 h"  # of evidence: pulls sooner


@cache
def driven(scenario: str = "pump_stop", seed: int = 2) -> Any:
    """Return a scenario's rows, about 2400 at 100 Hz."""
    return np.array(Driven(scenario, seed)[:])


def tiled(count: int, *scenarios: str) -> Any:
    """Return ``count`` rows: drives one after the other, a gap of 20 s between them."""
    parts, at_s, have = [], 0.0, 0
    while have < count:
        for scenario in scenarios or ("pump_stop", "air_slugs"):
            part = driven(scenario).copy()
            part[:, TIME] += at_s - part[0, TIME]
            at_s = float(part[-1, TIME]) + 20.0
            parts.append(part)
            have += len(part)
    return np.concatenate(parts)[:count]


def troubled(count: int) -> Any:
    """Return rows with late ones, lost times, repeated ones, gaps and steps of the clock."""
    rows = tiled(count)
    rng = np.random.default_rng(7)
    for at in rng.integers(10, count, 40):
        rows[at, TIME] -= 0.5  # late
    rows[rng.integers(0, count, 40), TIME] = np.nan
    rows[:3, TIME] = np.nan
    rows[8190:8194, TIME] = np.nan  # where one piece ends
    rows[9000:, TIME] -= 60.0  # back, by more than is late
    rows[12000:, TIME] += 5000.0
    rows[15000:15010, TIME] = rows[15000, TIME]
    rows[16384:, TIME] -= 7000.0  # back, just where one piece ends
    rows[8100:8150, BOOST] = rows[8200:8300, ENGINE_SPEED] = np.nan  # sensors that fail
    rows[5000, OPERATOR] = 1.0
    return rows


def log_of(rows: Any, path: Path, rig_file: RigFile = BRINDLE) -> Path:
    """Write rows as a log that is read back as they are, without ticks."""
    channels = mapped(rig_file.rig)
    about = dict.fromkeys(("rig", "source", "started"), "")
    nothing = np.zeros((len(rows), len(layout.DECIDED)))
    write_file(path, iter([(rows, nothing)]), channels, about, rig_file.text, dict)
    return path


def decided_of(rows: Any, folder: Path) -> Decided:
    """Write rows as a log, open it and decide; as a long one is, so that pieces are redone."""
    return decide(opened(rows, folder), compiled=True)


def opened(rows: Any, folder: Path, **options: Any) -> Log:
    """Write rows as a log and open it."""
    return open_log(log_of(rows, folder / "log.parquet"), "brindle", **options)


def session_of(folder: Path, *, other: RigFile | None = None, **options: Any) -> Path:
    """Record a session; by another rig in its second half, where one is given."""
    from rules.channels import Sample

    recording = Recording(folder, **options)
    samples = [Sample(*row) for row in driven().tolist()]
    recording.put(samples[:1200])
    if other is not None:
        recording.change(other)
    recording.put(samples[1200:])
    return recording.close()
