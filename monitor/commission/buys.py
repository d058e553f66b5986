"""What a fitted rig buys: sooner handling, and how seldom timing is pulled falsely."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from monitor.commission.fitting import Fitted
from monitor.commission.rig_logs import RigLog
from monitor.commission.thresholds import pump_stop
from rules.channels import TIME
from rules.facts import Action, Rig
from rules.handling import Handled
from rules.step.from_rig import constants_of
from rules.step.state import UNDER_DELIVERY
from simulator.compiled_mark import DRIVE_ON, RUN_ALL, leave_mark
from simulator.compiled_or_not import Way, choose
from simulator.identify.spraying import AFTER_S, BEFORE_S
from simulator.plant import Scenario
from simulator.proof.false_pulls import Watched, counted, watch
from simulator.proof.proportions import poisson
from simulator.runs import Drive
from simulator.scenario import load_scenario

DRIVE: Final = "healthy_pulls"
FASTEST_HZ, SLOWEST_HZ = 1000.0, 5.0  # rows that the plant sends
AT_ONCE: Final = 50_000  # rows


@dataclass(frozen=True, slots=True)
class FalsePulls:
    """How often timing was pulled for spray that arrived.

    Attributes:
        count: How often.
        sprayed_s: In so many seconds of commanded spray.
    """

    count: int
    sprayed_s: float

    @property
    def at_most_per_100_h(self) -> float:
        """So often in 100 h of spraying, the upper end of the exact 95 % interval."""
        return poisson(self.count).high * 360_000.0 / self.sprayed_s

    def __add__(self, other: "FalsePulls") -> "FalsePulls":
        """Return both together."""
        return FalsePulls(self.count + other.count, self.sprayed_s + other.sprayed_s)


NONE: Final = FalsePulls(0, 0.0)


@dataclass(frozen=True, slots=True)
class Buys:
    """What a rig is before and after.

    Attributes:
        before: How soon a stopped pump is handled at the highest boost, by the rig as it was, with
            rows as far apart as the new one says.
        after: The same by the new one.
        log_before: False pulls in the logs, by the rig as it was.
        log_after: The same by the new one.
        car: The same in a simulated car of the new rig.
    """

    before: Handled
    after: Handled
    log_before: FalsePulls
    log_after: FalsePulls
    car: FalsePulls


def buys(fitted: Fitted, drives: Sequence[Scenario], way: Way) -> Buys:
    """Return what a fitted rig buys; there must be one.

    Args:
        fitted: The fit.
        drives: Of ``drives_of`` the new rig.
        way: How to run them.
    """
    before, after = fitted.rig_file, fitted.new
    if after is None:
        raise ValueError("found no new rig, expected one")
    healthy = [_without_left_out(fitted, i) for i in range(len(fitted.logs))]
    return Buys(
        pump_stop(before.rig, after.time.period_s),
        pump_stop(after.rig, after.time.period_s),
        sum((_in_log(before.rig, rows) for rows in healthy), NONE),
        sum((_in_log(after.rig, rows) for rows in healthy), NONE),
        _in_car(drives, way),
    )


def drives_of(rig: Rig, period_s: float, runs: int) -> tuple[list[Scenario], Way]:
    """Return some drives of a simulated car of a rig, healthy pulls, and how to run them."""
    scenario = load_scenario(DRIVE)
    top = len(rig.vehicle.gears)
    steps = tuple(replace(step, gear=min(step.gear, top)) for step in scenario.drive)
    rate_hz = min(max(1.0 / period_s, SLOWEST_HZ), FASTEST_HZ)
    one = replace(scenario, rig=rig, drive=steps, rate_hz=rate_hz)
    drives = [replace(one, seed=seed) for seed in range(1, runs + 1)]
    return drives, choose(sum(drive.duration_s for drive in drives))


def _in_car(drives: Sequence[Scenario], way: Way) -> FalsePulls:
    found = NONE
    for drive in drives:
        blocks = Drive(drive, drive.seed, guarded=False, compiled=way.compiled)
        nil_ml_min = constants_of(drive.rig).nil_ml_min
        found += _of(counted(nil_ml_min, (block.decisions for block in blocks)))
    if drives and way.compiled:
        leave_mark(DRIVE_ON)
    return found


def _without_left_out(fitted: Fitted, number: int) -> Any:
    """Return a log's rows without the pulls that don't look healthy."""
    logs = fitted.logs
    first = sum(len(log.series) for log in logs[:number])
    log: RigLog = logs[number]
    kept = np.ones(len(log.rows), bool)
    time_s = log.rows[:, TIME]
    for pull in fitted.identified.pulls:
        if pull.left_out and 0 <= pull.series - first < len(log.series):
            kept &= (time_s < pull.begins_s - BEFORE_S) | (time_s > pull.ends_s + AFTER_S)
    return log.rows[kept]


def _in_log(rig: Rig, rows: Any) -> FalsePulls:
    begins = range(0, len(rows), AT_ONCE)
    found = _of(watch(rig, (rows[begin : begin + AT_ONCE] for begin in begins)))
    leave_mark(RUN_ALL)
    return found


def _of(watched: Watched) -> FalsePulls:
    pulls = watched.by_finding[UNDER_DELIVERY, Action.PULL_TIMING - 1]
    return FalsePulls(int(pulls), watched.sprayed_s)
