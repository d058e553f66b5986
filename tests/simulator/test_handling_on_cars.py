"""What check promises of a fault's handling, against the plant's own runs."""

from dataclasses import replace
from functools import cache
from math import inf

import numpy as np
import pytest

from rules.channels import DELIVERED
from rules.facts import Action, ChargeSensor, Nozzle, Rig
from rules.handling import handled, least_due_ml_min
from rules.step.from_rig import constants_of, witness_column
from rules.step.hydraulics import full_flow_ml_min
from rules.step.state import Decision
from simulator.coverage.matrix import evaluation_seed
from simulator.plant import Do, Fault, FaultKind, Scenario, Spread, Step
from simulator.plant.sensors import PULSES_PER_ML
from simulator.plant.sizing import size
from simulator.plant.truth import TRUTH_NAMES
from simulator.rig import load_rig, shipped_rigs
from simulator.runs import Drive

RIGS = {name: load_rig(path).rig for name, path in shipped_rigs().items()}

BY_FLOW = [name for name, rig in RIGS.items() if witness_column(rig) == DELIVERED]

BY_LINE = [name for name in RIGS if name not in BY_FLOW]

CARS = 24

DIFFERENT = 0.2  # by this share of the rig's the plant's cars differ in delay and lag

GAIN_SPREAD = 0.04  # and by this in gain

# A guard that has sprayed has learned its car and is sooner than one that knows what the rig says,
# with which it is reckoned.
LEARNED, LEARNED_S = 1.35, 0.06

PERIOD_S = 0.01

DUE = TRUTH_NAMES.index("true_due_ml_min")

FLOW = TRUTH_NAMES.index("true_flow_ml_min")

HARM = TRUTH_NAMES.index("true_harm")


def as_built(rig: Rig) -> Rig:
    """Return a rig whose flow sensor's tolerances are no wider than the plant's cars differ.

    Handling is reckoned with the flow alone; line pressure, which is sooner, is left out, and the
    charge's temperature, which confirms it.
    """
    sensor = rig.flow_sensor
    known = replace(
        sensor,
        delay_within_s=DIFFERENT * sensor.delay_s,
        lag_within_s=DIFFERENT * sensor.lag_s,
        gain_within=GAIN_SPREAD,
    )
    channels = tuple(one for one in rig.channels if one.name != "line_kpa")
    charge = ChargeSensor()  # which says nothing of its cooling
    return replace(rig, flow_sensor=known, channels=channels, charge_sensor=charge)


@cache
def driven(
    name: str,
    narrow: bool,
    kind: FaultKind,
    magnitude: float,
    at_s: float,
    gear: int,
    for_s: float,
    above_kpa: float,
) -> tuple[tuple[float, ...], float]:
    """Return from fault to timing pulled and done, car by car, and the mean flow due till then."""
    rig = RIGS[name]  # whose tolerances say how far its cars differ
    known = as_built(rig) if narrow else rig
    drive = (Step(Do.CRUISE, 2.0, gear), Step(Do.PULL, at_s - 2.0 + for_s, gear))
    fault = Fault(kind, at_s, magnitude=magnitude, above_boost_kpa=above_kpa, gear=gear)
    took_s, due = [], []
    for i in range(CARS):
        run = Drive(
            Scenario("", "", rig, drive, (fault,)),
            evaluation_seed(i),
            guarded=True,
            compiled=True,
            guard_rig=known,
        )
        blocks = list(run)
        decisions = np.concatenate([block.decisions for block in blocks])
        came_s = np.concatenate([block.came_s for block in blocks])
        truths = np.concatenate([block.truths for block in blocks])
        begun_s = run.spans[0].begins_s
        pulled = Decision.named(decisions)["action"] >= Action.PULL_TIMING
        rows = np.flatnonzero(pulled & (came_s >= begun_s))
        acted_s = came_s[rows[0]] if len(rows) else inf
        took_s.append(float(acted_s) - begun_s + rig.fault_intervals.reaction_s)
        until = (truths[:, 0] >= begun_s) & (truths[:, 0] <= acted_s)
        due.append(float(truths[until, DUE].mean()))
    return tuple(took_s), sum(due) / CARS


def not_waited_for_s(name: str, due_ml_min: float) -> float:
    """Return how much sooner a car's reading shows a fault than a command, in the mean.

    A fault waits for no valve, and a loss of part of the flow for one pulse only. What is reckoned
    counts all of a rig's delay and lag, as no rig can tell how much of them that is.
    """
    rig = RIGS[name]
    sensor = rig.flow_sensor
    usual = Spread(sensor.delay_s, sensor.lag_s, 0.0, sensor.noise)
    k = size(rig, Scenario("", "", rig, (Step(Do.IDLE, 1.0),), spread=usual), 1)
    pulse_s = 60.0 / (PULSES_PER_ML * due_ml_min)
    return sensor.delay_s + sensor.lag_s - k.sensor_steps * k.dt_s - k.sensor_lag_s - pulse_s


def percentile_95(values: tuple[float, ...]) -> float:
    """Return the 95th percentile, the higher of two."""
    return float(np.quantile(values, 0.95, method="higher"))


@pytest.mark.parametrize(
    ("kind", "magnitude", "for_s"),
    [
        (FaultKind.PUMP_STOP, 1.0, 2.0),
        (FaultKind.CLOGGED_NOZZLE, 0.5, 2.0),
        (FaultKind.CLOGGED_NOZZLE, 0.25, 6.0),
    ],
)
@pytest.mark.parametrize("name", BY_FLOW)
def test_the_plant_is_handled_as_soon_as_was_reckoned(
    name: str, kind: FaultKind, magnitude: float, for_s: float
) -> None:
    """Nineteen of twenty cars are handled in time, and the time is not wasteful: a third more.

    By a rig that allows for no more than the plant's cars differ.
    """
    rig = as_built(RIGS[name])
    took_s, due = driven(name, True, kind, magnitude, 4.0, 4, for_s, -inf)
    late_s = percentile_95(took_s)
    promised_s = handled(rig, rig.paid.boost_kpa[-1], due, magnitude, PERIOD_S).pull_s
    assert late_s <= promised_s
    least_s = promised_s - not_waited_for_s(name, due)
    assert least_s <= max(LEARNED * late_s, late_s + LEARNED_S)


@pytest.mark.parametrize("narrow", [True, False])
@pytest.mark.parametrize("name", BY_FLOW)
def test_a_pump_that_stops_at_full_boost_is_handled_within_what_check_says(
    name: str, narrow: bool
) -> None:
    """Whatever the gear, from when boost is there; and so within the time the rig tolerates.

    A rig that allows for more than its car needs, and that has line pressure, too, is sooner.
    """
    rig = as_built(RIGS[name]) if narrow else RIGS[name]
    top_kpa = rig.paid.boost_kpa[-1]
    due_ml_min = least_due_ml_min(rig, top_kpa)
    promised_s = handled(rig, top_kpa, due_ml_min, 1.0, PERIOD_S).pull_s
    late_s = max(
        percentile_95(
            driven(name, narrow, FaultKind.PUMP_STOP, 1.0, 2.5, gear, 3.0, 0.93 * top_kpa)[0]
        )
        for gear in (3, 4, 5)
    )
    assert late_s <= promised_s < rig.fault_intervals.tolerant_s
    if narrow:
        least_s = promised_s - not_waited_for_s(name, due_ml_min)
        assert least_s <= max(1.25 * late_s, late_s + 0.05)


@pytest.mark.parametrize("name", BY_LINE)
def test_a_pump_that_stops_is_handled_by_line_pressure_alone(name: str) -> None:
    """Whatever the gear, from when boost is there, within what check says and the rig tolerates."""
    rig = RIGS[name]
    top_kpa = rig.paid.boost_kpa[-1]
    promised_s = handled(rig, top_kpa, least_due_ml_min(rig, top_kpa), 1.0, PERIOD_S).pull_s
    late_s = max(
        percentile_95(
            driven(name, False, FaultKind.PUMP_STOP, 1.0, 2.5, gear, 3.0, 0.93 * top_kpa)[0]
        )
        for gear in (3, 4, 5)
    )
    assert late_s <= promised_s < rig.fault_intervals.tolerant_s
    assert promised_s <= late_s + 0.06


@pytest.mark.parametrize("closed", [0.75, 0.6, 0.5])
@pytest.mark.parametrize("name", BY_LINE)
def test_a_clog_is_handled_by_line_pressure_alone(
    name: str, closed: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within what check says of a clog; by a rig as sure of its line as the plant's cars are.

    ``closed`` is the share of their openings that nozzles lose: less of the flow, as the pump's
    pressure rises.
    """
    rig = replace(RIGS[name], line_sensor=replace(RIGS[name].line_sensor, gain_within=0.02))
    monkeypatch.setitem(RIGS, f"{name}, sure", rig)
    k = constants_of(rig)
    top_kpa = rig.paid.boost_kpa[-1]
    opening = replace(rig.spray, nozzles=tuple(_closed(one, closed) for one in rig.spray.nozzles))
    left = full_flow_ml_min(constants_of(replace(rig, spray=opening)), top_kpa)
    lost = 1.0 - left / full_flow_ml_min(k, top_kpa)
    took_s, due = driven(
        f"{name}, sure", False, FaultKind.CLOGGED_NOZZLE, closed, 4.0, 4, 3.0, -inf
    )
    late_s = percentile_95(took_s)
    promised_s = handled(rig, top_kpa, due, lost, PERIOD_S, clog=True).pull_s
    assert late_s <= promised_s <= 1.3 * late_s + LEARNED_S


def _closed(nozzle: Nozzle, share: float) -> Nozzle:
    return replace(nozzle, rated_ml_min=(1.0 - share) * nozzle.rated_ml_min)


@pytest.mark.parametrize("run_down_s", [0.08, 0.16, 0.32])
@pytest.mark.parametrize("name", RIGS)
def test_the_simulated_pump_runs_down_as_the_rig_says(name: str, run_down_s: float) -> None:
    """What is sprayed after the stop is what full flow gives in half the run-down."""
    rig = RIGS[name]
    pump = replace(rig.spray.pump, run_down_s=run_down_s)
    rig = replace(rig, spray=replace(rig.spray, pump=pump))
    drive = (Step(Do.CRUISE, 2.0, 4), Step(Do.PULL, 4.0, 4))
    stop = Fault(FaultKind.PUMP_STOP, 4.0)
    run = Drive(Scenario("", "", rig, drive, (stop,)), 1, guarded=False, compiled=True)
    truths = np.concatenate([block.truths for block in run])
    after = truths[truths[:, 0] >= 4.0]
    sprayed_ml = after[:, FLOW].sum() * PERIOD_S / 60.0
    full_ml_s = full_flow_ml_min(constants_of(rig), rig.paid.boost_kpa[-1]) / 60.0
    assert 2.0 * sprayed_ml / full_ml_s == pytest.approx(run_down_s, rel=0.15, abs=0.02)


@pytest.mark.parametrize("name", RIGS)
def test_an_engine_survives_as_long_as_its_rig_says(name: str) -> None:
    """No more than some twenty audible knocks, on a hot day, in the time the rig tolerates."""
    rig = RIGS[name]
    top_kpa = rig.paid.boost_kpa[-1]
    drive = (Step(Do.CRUISE, 2.0, 3), Step(Do.PULL, 5.0, 3))
    stop = Fault(FaultKind.PUMP_STOP, 2.5, above_boost_kpa=0.93 * top_kpa)
    hot = Scenario("", "", rig, drive, (stop,), ambient_c=40.0)
    for i in range(6):
        run = Drive(hot, evaluation_seed(i), guarded=False, compiled=True)
        truths = np.concatenate([block.truths for block in run])
        begun_s = run.spans[0].begins_s
        within = (truths[:, 0] >= begun_s) & (
            truths[:, 0] <= begun_s + rig.fault_intervals.tolerant_s
        )
        harm = truths[within, HARM]
        assert harm[-1] - harm[0] < 20.0
