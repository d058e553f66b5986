"""A season of one simulated car: a log a week, with whatever goes wrong meanwhile."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from rules.facts import Rig
from simulator.logfile import mapped, open_log
from simulator.plant import Fault, FaultKind, Spread
from simulator.proof.driving import outing
from simulator.proof.population import Drawn
from simulator.runs import Drive

FIRST: Final = date(2026, 1, 5)  # a Monday
RATE_HZ: Final = 50.0
COLD_C, WARM_C = 5.0, 30.0


def day_of(week: int) -> date:
    """Return the day of a weekly session, from 0."""
    return FIRST + timedelta(weeks=week)


def the_car(rig: Rig) -> Spread:
    """Return one car of a rig: within what it allows, and the same in every session."""
    sensor = rig.flow_sensor
    return Spread(sensor.delay_s, sensor.lag_s, 0.01, 0.9 * sensor.noise)


def slow(kind: FaultKind, from_week: int, a_week: float, weeks: int) -> list[tuple[Fault, ...]]:
    """Return what is wrong in each week where a fault grows by a share a week from one on."""
    sizes = [min(max(a_week * (week - from_week), 0.0), 0.95) for week in range(weeks)]
    return [(Fault(kind, magnitude=size),) if size else () for size in sizes]


def drive_week(rig: Rig, week: int, faults: Sequence[Fault], to: Path, seed: int = 1) -> None:
    """Write the log of a week's session: seven minutes of all sorts of driving.

    Args:
        rig: The car's.
        week: From 0; weather, drive and noise are its own.
        faults: What is wrong with it.
        to: New file, ``.csv`` or ``.parquet``.
        seed: Of the season.
    """
    ambient_c = float(np.random.default_rng([seed, week]).uniform(COLD_C, WARM_C))
    drawn = Drawn(week, 1000 * seed + week, the_car(rig), RATE_HZ, ambient_c, 0.0)
    scenario = replace(outing(rig, drawn).scenario, faults=tuple(faults))
    drive = Drive(scenario, scenario.seed, guarded=False, compiled=True)
    with open_log(to, mapped(rig), (), {}) as write:
        for block in drive:
            write(block.rows[block.sent], block.row_truths[block.sent, :0])
