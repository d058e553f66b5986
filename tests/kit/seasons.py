"""A season of one car: a log a week, with whatever goes wrong meanwhile.

Of the plant's cars for benches; for tests out of the rig's own figures, which takes no time.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from rules.facts import Rig
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min, line_due_kpa
from simulator.identify import Series
from simulator.identify.model import delayed, filled, lagged
from simulator.identify.spraying import command_of
from simulator.logfile import mapped, open_log
from simulator.plant import Fault, FaultKind, Spread
from simulator.proof.driving import outing
from simulator.proof.population import Drawn
from simulator.rig import rig_from_text
from simulator.runs import Drive
from tests.kit.rig_text import rig as rig_text

FIRST: Final = date(2026, 1, 5)  # a Monday
RATE_HZ: Final = 50.0
COLD_C, WARM_C = 5.0, 30.0
PULLS, EACH_S = 3, 12.0
SEASON_RIG: Final = rig_from_text(
    rig_text(more="[channels.line_kpa]\n[channels.supply_v]\n"), "season.toml"
)


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


def log_text(
    rng: Any, *, flow: float = 1.0, line: float = 1.0, supply_v: float = 13.4, late_s: float = 0.0
) -> str:
    """Return a short CSV log of the small rig with more channels (``SEASON_RIG``): three pulls.

    It shares the rig's own figures, as only what differs from them is looked at.

    Args:
        rng: Noise, and how high the pulls go.
        flow: Share of the flow due that is read.
        line: The same of the line's pressure.
        supply_v: Of the pump, while it sprays.
        late_s: By how much later the flow follows than the rig says.
    """
    rig = SEASON_RIG.rig
    k = constants_of(rig)
    t_s = np.arange(int(PULLS * EACH_S * RATE_HZ)) / RATE_HZ
    in_pull = np.mod(t_s, EACH_S)
    top = np.repeat(rng.uniform(110.0, 165.0, PULLS), int(EACH_S * RATE_HZ))
    pulling = (in_pull > 3.0) & (in_pull < 9.0)
    boost = np.where(pulling, np.minimum((in_pull - 3.0) / 0.4, 1.0) * top, 5.0)
    boost += rng.normal(0.0, 0.3, len(t_s))
    asked = command_of(rig, k, Series(t_s, {"boost_kpa": boost}))
    at_s, where = filled(t_s)
    delay_s = rig.flow_sensor.delay_s + late_s
    read = flow * lagged(at_s, delayed(t_s, asked, at_s, delay_s), rig.flow_sensor.lag_s)[where]
    read = np.maximum(read * (1.0 + rng.normal(0.0, 0.01, len(t_s))), 0.0)
    full = np.array([full_flow_ml_min(k, x) for x in boost.tolist()])
    rows = zip(boost.tolist(), asked.tolist(), full.tolist(), strict=True)
    due = np.array([line_due_kpa(k, *row) for row in rows])
    pressure = line * due * (1.0 + rng.normal(0.0, 0.01, len(t_s)))
    supply = supply_v + rng.normal(0.0, 0.02, len(t_s))
    lines = ["time_s,boost_kpa,delivered_ml_min,line_kpa,supply_v"]
    lines += [
        ",".join(f"{value:.4f}" for value in row)
        for row in zip(t_s, boost, read, pressure, supply, strict=True)
    ]
    return "\n".join(lines) + "\n"


def write_season(folder: Path, weeks: int, clogs_from: int, a_week: float = 0.02) -> None:
    """Write a log a week, named by its day, of a car whose nozzle clogs from a week on."""
    folder.mkdir(exist_ok=True)
    for week in range(weeks):
        rng = np.random.default_rng(week)
        lost = a_week * max(week - clogs_from, 0)
        text = log_text(rng, flow=rng.normal(0.99, 0.005) - lost, line=1.0 + 0.7 * lost)
        (folder / f"{day_of(week)}.csv").write_text(text, encoding="utf-8")
