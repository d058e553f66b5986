"""A stretch of a recorded drive: what its driver did, and the fault that a guard finds in it."""

from collections.abc import Sequence
from math import isnan
from typing import Any, Final

import numpy as np

from rules.causes.ranking import CauseRanker
from rules.channels import BOOST, ENGINE_SPEED, THROTTLE, TIME
from rules.facts import Rig
from rules.guard import Guard
from simulator.plant import Do, Fault, FaultKind, Scenario, Step, run
from simulator.plant.chassis import IDLE_RPM

BEFORE_S: Final = 25.0  # of a recorded drive, this much before a moment becomes a lesson's drive,
AFTER_S: Final = 12.0  # and this much after it
_STEP_S: Final = 0.1
_SHORTEST_S: Final = 0.6  # steps shorter than that are no steps of a driver
_FULL_PCT: Final = 92.0
_FULL_WITHIN_KPA: Final = 25.0
_ENOUGH_PCT: Final = 40.0  # of throttle: a pull
_OVERRUN_KPA: Final = -60.0
_LOOKS_ON_S: Final = 3.0  # so long after the moment the likeliest cause is taken


def steps_of(rows: Any, rig: Rig) -> tuple[tuple[Step, ...], float]:
    """Return the driver's steps of a recorded stretch, and the time put in before it, seconds.

    They are read off throttle, boost and engine speed; gears are those in which the simulated car
    gains speed most alike.

    Args:
        rows: From ``BEFORE_S`` before a moment to ``AFTER_S`` after it, (n, ROW_WIDTH).
        rig: The car's rig.
    """
    time_s = rows[:, TIME] - rows[0, TIME]
    axis_s = np.arange(0.0, max(float(time_s[-1]), 1.0), _STEP_S)
    boost_kpa, speed_rpm, throttle_pct = (
        _even(time_s, rows[:, column], axis_s) for column in (BOOST, ENGINE_SPEED, THROTTLE)
    )
    doing = [_doing(*at, rig) for at in zip(boost_kpa, speed_rpm, throttle_pct, strict=True)]
    runs = _runs(doing)
    slopes = _slopes(rig)
    steps: list[Step] = []
    for do, first, last in runs:
        for_s = round((last - first) * _STEP_S, 1)
        if do is Do.PULL:
            # Where boost was cut, or before it is there, speed says nothing of the gear.
            full = boost_kpa[first:last] > np.max(boost_kpa) - _FULL_WITHIN_KPA
            gear = _gear(np.where(full, speed_rpm[first:last], np.nan), slopes)
            asked = float(np.mean(throttle_pct[first:last]))
            pct = round(asked) if asked < _FULL_PCT else float("nan")  # NaN: not read, or full
            steps.append(Step(do, for_s, gear, pct))
        else:
            steps.append(Step(do, for_s))
    if steps[0].do is not Do.PULL:
        return tuple(steps), 0.0
    return (Step(Do.CRUISE, 3.0, steps[0].gear), *steps), 3.0


def _even(time_s: Any, values: Any, axis_s: Any) -> Any:
    """Return a reading at even times; NaN throughout where it was not read."""
    known = np.isfinite(values)
    if known.sum() < 2:
        return np.full(len(axis_s), np.nan)
    return np.interp(axis_s, time_s[known], values[known])


def _doing(boost_kpa: float, speed_rpm: float, throttle_pct: float, rig: Rig) -> Do:
    if speed_rpm < 1.4 * IDLE_RPM:
        return Do.IDLE
    if not isnan(throttle_pct):
        pulls, lifts = throttle_pct > _ENOUGH_PCT, throttle_pct < 2.0
    else:
        pulls = boost_kpa > (-20.0 if rig.unboosted else 0.0)
        lifts = boost_kpa < _OVERRUN_KPA
    return Do.PULL if pulls else Do.LIFT if lifts else Do.CRUISE


def _runs(doing: Sequence[Do]) -> list[tuple[Do, int, int]]:
    """Return stretches of the same doing, short ones added to what was before."""
    runs: list[tuple[Do, int, int]] = []
    begin = 0
    for at in range(1, len(doing) + 1):
        if at < len(doing) and doing[at] is doing[begin]:
            continue
        do = doing[begin]
        short = (at - begin) * _STEP_S < _SHORTEST_S
        if runs and (short or runs[-1][0] is do):
            runs[-1] = (runs[-1][0], runs[-1][1], at)
        else:
            runs.append((do, begin, at))
        begin = at
    return runs


def _slopes(rig: Rig) -> dict[int, float]:
    """Return by gear how fast the simulated car's engine gains speed at full throttle, rpm/s."""
    found = {}
    for gear in range(2, len(rig.vehicle.gears) + 1):
        drive = (Step(Do.CRUISE, 2.0, gear), Step(Do.PULL, 3.5, gear))
        scenario = Scenario("gear", "how it pulls", rig, drive)
        rows = np.array(list(run(scenario, 1)))
        speed_rpm = rows[rows[:, TIME] > 3.5, ENGINE_SPEED]
        found[gear] = _gain(speed_rpm[np.isfinite(speed_rpm)], 1.0 / scenario.rate_hz)
    return found


def _gain(speed_rpm: Any, step_s: float) -> float:
    """Return the median gain of speed over half a second, rpm/s; 0 where nothing tells."""
    span = max(1, round(0.5 / step_s))
    gained = speed_rpm[span:] - speed_rpm[:-span]
    gained = gained[np.isfinite(gained)]
    return float(np.median(gained)) / (span * step_s) if len(gained) else 0.0


def _gear(speed_rpm: Any, slopes: dict[int, float]) -> int:
    """Return the gear in which the simulated car gains speed most alike."""
    gain = _gain(speed_rpm, _STEP_S)
    if gain <= 0.0:
        return 3
    return min(slopes, key=lambda gear: abs(slopes[gear] - gain))


def likeliest_fault(rows: Any, rig: Rig, at_s: float) -> tuple[Fault | None, str]:
    """Return what a guard takes for the cause at a moment, as a fault, and that in words.

    Args:
        rows: As ``steps_of`` has them.
        rig: The car's rig.
        at_s: The moment, by the log's time.
    """
    guard, ranker = Guard(rig), CauseRanker(rig)
    missing = 0.0
    for row in rows.tolist():
        decision = guard.step(row)
        if row[TIME] > at_s + _LOOKS_ON_S:
            break
        ranker.feed(decision)
        if row[TIME] >= at_s - 1.0:
            missing = max(missing, decision.missing_share)
    top = ranker.rank()[0]
    fault = _fault_of(top.name, max(0.3, round(missing, 2)))
    if fault is None:
        return None, "No cause was found at that moment: write the case by hand."
    seen = "; ".join(top.evidence) or "nothing more was seen"
    return fault, f"Likeliest was: {top.label} ({100.0 * top.likelihood:z.0f} %): {seen}."


def _fault_of(cause: str, missing: float) -> Fault | None:
    """Return a fault of such a cause in which such a share of the spray is missing."""
    pump = Fault(FaultKind.PUMP_STOP)
    if missing < 0.9:
        pump = Fault(FaultKind.PUMP_FADE, magnitude=missing, ramp_s=0.5)
    of_cause = {
        "pump": pump,
        "supply_low": Fault(FaultKind.SUPPLY_LOW, magnitude=0.35, ramp_s=0.5),
        "clog": Fault(FaultKind.CLOGGED_NOZZLE, magnitude=missing, ramp_s=0.3),
        "split_before_sensor": Fault(FaultKind.SPLIT_BEFORE_SENSOR, magnitude=0.8),
        "split_after_sensor": Fault(FaultKind.SPLIT_AFTER_SENSOR, magnitude=0.8),
        "air_or_empty": Fault(FaultKind.AIR, magnitude=min(0.8, missing), ramp_s=0.3),
        "valve_or_siphon": Fault(FaultKind.VALVE_STUCK_OPEN),
        "controller_silent": Fault(FaultKind.CONTROLLER_SILENT),
        "sensor_drift": Fault(
            FaultKind.SENSOR_GAIN, magnitude=-missing, ramp_s=0.5, channel="delivered_ml_min"
        ),
        "sensor_stuck": Fault(FaultKind.SENSOR_STUCK, channel="delivered_ml_min"),
        "sensor_dead": Fault(FaultKind.SENSOR_SHORT, channel="delivered_ml_min"),
        "line_sensor": Fault(FaultKind.SENSOR_GAIN, magnitude=-0.5, channel="line_kpa"),
        "intake_sensor": Fault(FaultKind.SENSOR_OFFSET, magnitude=0.1, channel="intake_c"),
        "wrong_mix": Fault(FaultKind.WRONG_MIX),
    }
    return of_cause.get(cause)
