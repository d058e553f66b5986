"""Logs of simulated cars' healthy pulls, as a fit takes them."""

from dataclasses import replace
from typing import Any

import numpy as np

from rules.channels import COLUMN_OF
from rules.facts import Rig
from simulator.identify import Series
from simulator.plant import Do, Fault, Scenario, Step
from tests.kit.batch import run_whole


def pulls(rig: Rig, count: int, rate_hz: float = 100.0) -> Scenario:
    """Return a drive of some pulls, in third gear and in fourth by turns."""
    top = len(rig.vehicle.gears)
    gears = [min(3 + i % 2, top) for i in range(count)]
    steps = [
        step
        for gear in gears
        for step in (Step(Do.CRUISE, 3.0, gear), Step(Do.PULL, 5.0, gear), Step(Do.LIFT, 2.0))
    ]
    return Scenario("pulls", "", rig, tuple(steps), rate_hz=rate_hz)


def rows_of(scenario: Scenario, seed: int) -> Any:
    """Return what comes down the wire while no guard acts, (n, ROW_WIDTH)."""
    return run_whole(scenario, seed, guarded=False).rows


def drive(rig: Rig, seed: int, *faults: Fault) -> Any:
    """Return the same of four pulls, with faults or none."""
    return rows_of(replace(pulls(rig, 4), faults=faults), seed)


def log_of(rows: Any) -> Series:
    """Return the same as a log."""
    read = {name: rows[:, column] for name, column in COLUMN_OF.items()}
    return Series(rows[:, 0], {n: np.where(np.isfinite(c), c, np.nan) for n, c in read.items()})
