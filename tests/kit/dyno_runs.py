"""Logs of full-throttle runs, made here: drawn by a formula, or driven by a simulated car."""

from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any

import numpy as np

from rules.channels import CHANNEL_NAMES
from rules.facts import Rig
from simulator.plant import Car
from simulator.plant.script import Do, Fault, FaultKind, Scenario, Spread, Step
from simulator.rig import RigFile, rig_from_text
from tests.kit.rig_text import SMALL

EXTRA = ("gear", "torque_nm", "ambient_c", "barometer_kpa", "humidity_pct")
RIG_TEXT = (
    SMALL
    + "[channels.engine_speed_rpm]\n[channels.throttle_pct]\n[channels.intake_c]\n"
    + "".join(f"[extra.{name}]\n" for name in EXTRA)
    + "[vehicle]\nmass_kg = 1400\ndrag_area_m2 = 0.7\ngears = [3.4, 2.05, 1.43, 1.08]\n"
    + "final_drive = 3.9\ntyre_radius_m = 0.31\n"
)


def dyno_rig(text: str = RIG_TEXT) -> RigFile:
    """Return a rig that maps all that such a log holds."""
    return rig_from_text(text, "car.toml")


@dataclass(frozen=True)
class Drawn:
    """A run by a formula: torque falls a little with engine speed, which rises steadily.

    ``left_out`` names columns that the log lacks.
    """

    torque_nm: float = 300.0
    boost_kpa: float = 90.0
    flow_ml_min: float = 0.0
    intake_c: float = 30.0
    gear: int = 3
    ambient_c: float = 20.0
    low_rpm: float = 3000.0
    high_rpm: float = 6000.0
    left_out: tuple[str, ...] = ()

    def write(self, path: Path, seed: int = 0) -> Path:
        """Write it, with a second of cruise at either end; readings scatter by the seed."""
        draw = np.random.default_rng(seed)
        t_s = np.arange(0.0, 7.0, 0.02)
        full = (t_s >= 1.0) & (t_s < 6.0)
        rise = np.clip((t_s - 1.0) / 5.0, 0.0, 1.0)
        rpm = self.low_rpm + (self.high_rpm - self.low_rpm) * rise
        scale = 1.0 + draw.normal(0.0, 0.004)
        columns = {
            "time_s": t_s,
            "engine_speed_rpm": rpm + draw.normal(0.0, 5.0, len(t_s)),
            "boost_kpa": np.where(full, self.boost_kpa, -40.0) + draw.normal(0.0, 0.5, len(t_s)),
            "throttle_pct": np.where(full, 100.0, 15.0),
            "intake_c": np.full(len(t_s), self.intake_c),
            "delivered_ml_min": np.where(full, self.flow_ml_min, 0.0),
            "gear": np.full(len(t_s), self.gear),
            "torque_nm": scale * (self.torque_nm - 0.01 * (rpm - 4500.0)),
            "ambient_c": np.full(len(t_s), self.ambient_c),
            "barometer_kpa": np.full(len(t_s), 99.0),
            "humidity_pct": np.full(len(t_s), 40.0),
        }
        kept = {name: one for name, one in columns.items() if name not in self.left_out}
        rows = zip(*kept.values(), strict=True)
        lines = [",".join(kept), *(",".join(f"{value:.5g}" for value in row) for row in rows)]
        path.write_text("\n".join(lines) + "\n")
        return path


def driven(
    rig: Rig, gear: int, boost_kpa: float, seed: int, *, dry: bool
) -> tuple[dict[str, Any], Any]:
    """Drive a simulated car at full throttle; return its log's columns, and its crank's torque.

    It is the same car whatever the seed, which says how its readings scatter.
    """
    drive = (Step(Do.CRUISE, 3.0, gear=gear), Step(Do.PULL, 4.5, gear=gear), Step(Do.LIFT, 1.0))
    faults = (Fault(FaultKind.CONTROLLER_SILENT, 0.0),) if dry else ()
    sensor = rig.flow_sensor
    spread = Spread(sensor.delay_s, sensor.lag_s, 0.0, sensor.noise)
    car = Car(
        rig,
        Scenario("run", "", rig, drive, faults, 50.0, peak_boost_kpa=boost_kpa, spread=spread),
        seed,
    )
    rows, crank_nm = [], []
    while not car.finished:
        for row in car.step(0.0, inf):
            rows.append(row)
            crank_nm.append(car.state.torque_nm)
    table = np.array(rows)
    columns = {"time_s": table[:, 0]}
    columns |= {name: table[:, place] for place, name in enumerate(CHANNEL_NAMES, start=1)}
    return columns, np.array(crank_nm)
