"""The plant's faults do what they say, and nothing before they begin."""

import itertools
from dataclasses import replace
from math import inf, isnan

import pytest

from rules.channels import NOT_SENT, Sample
from simulator.plant import Fault, FaultKind, run
from tests.kit.plants import (
    ONSET_S,
    STOP,
    Truth,
    between,
    drive_with_truth,
    mean,
    run_deciding,
    scenario,
)

FAULTS = {
    FaultKind.PUMP_STOP: STOP,
    FaultKind.PUMP_FADE: Fault(FaultKind.PUMP_FADE, ONSET_S, magnitude=0.6, ramp_s=1.0),
    FaultKind.SUPPLY_LOW: Fault(FaultKind.SUPPLY_LOW, ONSET_S, magnitude=0.3),
    FaultKind.CLOGGED_NOZZLE: Fault(FaultKind.CLOGGED_NOZZLE, ONSET_S, magnitude=0.4),
    FaultKind.SPLIT_BEFORE_SENSOR: Fault(FaultKind.SPLIT_BEFORE_SENSOR, ONSET_S, magnitude=0.8),
    FaultKind.SPLIT_AFTER_SENSOR: Fault(FaultKind.SPLIT_AFTER_SENSOR, ONSET_S, magnitude=0.8),
    FaultKind.EMPTY_TANK: Fault(FaultKind.EMPTY_TANK, ONSET_S, ramp_s=1.0),
    FaultKind.AIR: Fault(FaultKind.AIR, ONSET_S, magnitude=0.35),
    FaultKind.SIPHON: Fault(FaultKind.SIPHON, ONSET_S, magnitude=0.7),
    FaultKind.VALVE_STUCK_OPEN: Fault(FaultKind.VALVE_STUCK_OPEN, ONSET_S),
    FaultKind.CONTROLLER_SILENT: Fault(FaultKind.CONTROLLER_SILENT, ONSET_S),
    FaultKind.WRONG_MIX: Fault(FaultKind.WRONG_MIX, ONSET_S),
    FaultKind.VALVE_STUCK_SHUT: Fault(FaultKind.VALVE_STUCK_SHUT, ONSET_S, magnitude=0.5),
    FaultKind.REGULATOR_STUCK: Fault(FaultKind.REGULATOR_STUCK, ONSET_S, magnitude=0.4),
    FaultKind.RETARD_IGNORED: Fault(FaultKind.RETARD_IGNORED, ONSET_S),
    FaultKind.CUT_IGNORED: Fault(FaultKind.CUT_IGNORED, ONSET_S),
    FaultKind.ORDERS_LATE: Fault(FaultKind.ORDERS_LATE, ONSET_S, magnitude=0.3),
    FaultKind.OVERBOOST: Fault(FaultKind.OVERBOOST, ONSET_S, magnitude=0.2),
    FaultKind.COOLER_BLOCKED: Fault(FaultKind.COOLER_BLOCKED, ONSET_S),
    FaultKind.PETROL_SHORT: Fault(FaultKind.PETROL_SHORT, ONSET_S, magnitude=0.15),
    FaultKind.SENSOR_GAIN: Fault(FaultKind.SENSOR_GAIN, ONSET_S, magnitude=-0.3),
    FaultKind.SENSOR_OPEN: Fault(FaultKind.SENSOR_OPEN, ONSET_S, channel="boost_kpa"),
    FaultKind.SENSOR_OFFSET: Fault(FaultKind.SENSOR_OFFSET, ONSET_S, magnitude=0.1),
    FaultKind.SENSOR_DRIFT: Fault(FaultKind.SENSOR_DRIFT, ONSET_S, magnitude=0.5),
    FaultKind.SENSOR_NOISE: Fault(FaultKind.SENSOR_NOISE, ONSET_S, magnitude=0.05),
    FaultKind.SENSOR_SPIKES: Fault(FaultKind.SENSOR_SPIKES, ONSET_S, magnitude=0.05),
    FaultKind.SENSOR_OSCILLATION: Fault(FaultKind.SENSOR_OSCILLATION, ONSET_S, magnitude=0.1),
    FaultKind.SENSOR_INTERMITTENT: Fault(FaultKind.SENSOR_INTERMITTENT, ONSET_S, magnitude=0.3),
    FaultKind.MESSAGES_LOST: Fault(FaultKind.MESSAGES_LOST, ONSET_S, magnitude=0.3),
    FaultKind.MESSAGES_LATE: Fault(FaultKind.MESSAGES_LATE, ONSET_S, magnitude=0.3),
    FaultKind.MESSAGES_REPEATED: Fault(FaultKind.MESSAGES_REPEATED, ONSET_S, magnitude=0.3),
    FaultKind.MESSAGES_INSERTED: Fault(FaultKind.MESSAGES_INSERTED, ONSET_S, magnitude=0.3),
    FaultKind.MESSAGES_DISORDERED: Fault(FaultKind.MESSAGES_DISORDERED, ONSET_S, magnitude=0.3),
    FaultKind.CLOCK_STEP: Fault(FaultKind.CLOCK_STEP, ONSET_S, magnitude=-0.3),
    FaultKind.SECOND_SENDER: Fault(FaultKind.SECOND_SENDER, ONSET_S),
    FaultKind.UNPLUGGED: Fault(FaultKind.UNPLUGGED, ONSET_S),
    FaultKind.LOG_CUT: Fault(FaultKind.LOG_CUT, ONSET_S),
    FaultKind.SENSOR_SHORT: Fault(FaultKind.SENSOR_SHORT, ONSET_S),
    FaultKind.SENSOR_STUCK: Fault(FaultKind.SENSOR_STUCK, ONSET_S),
    FaultKind.WIRE_NOISE: Fault(FaultKind.WIRE_NOISE, ONSET_S, magnitude=0.05),
}


def test_every_kind_of_fault_is_tested() -> None:
    """No kind is missing from the cases below."""
    assert set(FAULTS) == set(FaultKind)


@pytest.mark.parametrize("kind", FaultKind)
def test_nothing_changes_before_the_onset(kind: FaultKind) -> None:
    """Up to the onset the faulty run is the healthy run, bit for bit; after it, not.

    Both hear orders of retard and a boost ceiling, or faults of those would change nothing.
    """
    orders = itertools.chain([(0.0, inf)] * int(100 * ONSET_S - 2), itertools.repeat((5.0, 110.0)))
    more = itertools.chain([(0.0, inf)] * int(100 * ONSET_S - 2), itertools.repeat((5.0, 110.0)))
    healthy = list(run_deciding(scenario(), 3, lambda _: next(orders)))
    faulty = list(run_deciding(scenario(FAULTS[kind]), 3, lambda _: next(more)))
    before = int(ONSET_S * 100)
    assert repr(faulty[:before]) == repr(healthy[:before])
    assert repr(faulty[before:]) != repr(healthy[before:])


def late(kind: FaultKind) -> tuple[list[Sample], list[Truth]]:
    """Return samples and truths from 2 s after the onset to the end of the pull."""
    samples, truths = drive_with_truth(scenario(FAULTS[kind]))
    return between(samples, 7.0, 8.9), [t for t in truths if 7.0 <= t.time_s < 8.9]


def test_pump_stop() -> None:
    """Flow and line pressure fall to nothing; the truth says so."""
    samples, truths = late(FaultKind.PUMP_STOP)
    assert max(s.delivered_ml_min for s in samples) == 0.0
    # The check valve holds what boost and its spring press on.
    held_kpa = mean([s.boost_kpa for s in samples]) + 20.0
    assert mean([s.line_kpa for s in samples]) == pytest.approx(held_kpa, abs=8.0)
    assert all(truth.missing > 0.98 and truth.faults == ("pump_stop",) for truth in truths)


def test_pump_fade() -> None:
    """Flow and line pressure fall together, to part of what they were."""
    samples, truths = late(FaultKind.PUMP_FADE)
    assert mean([s.line_kpa for s in samples]) == pytest.approx(400.0, rel=0.1)
    assert all(0.3 < truth.missing < 0.8 for truth in truths)


def test_clogged_nozzle() -> None:
    """Flow falls by about the clogged share while line pressure rises."""
    healthy = between(list(run(scenario(), 3)), 7.0, 8.9)
    samples, truths = late(FaultKind.CLOGGED_NOZZLE)
    assert all(0.33 < truth.missing < 0.41 for truth in truths)
    assert mean([s.line_kpa for s in samples]) > 1.01 * mean([s.line_kpa for s in healthy])


def test_empty_tank() -> None:
    """The flow holds while there is fluid at the pick-up; then neither flow nor fluid is left."""
    samples, _ = drive_with_truth(scenario(FAULTS[FaultKind.EMPTY_TANK]))
    calm = [s.delivered_ml_min for s in between(samples, 4.5, 5.0)]
    going = [s.delivered_ml_min for s in between(samples, 6.4, 7.0)]
    assert max(going) > 0.8 * mean(calm)
    assert min(going) < 0.5 * mean(calm)
    after, truths = late(FaultKind.EMPTY_TANK)
    assert max(s.delivered_ml_min for s in after if s.time_s > 8.3) < 5.0
    assert truths[-1].tank_ml < 5.0


def test_a_tank_runs_out_by_itself() -> None:
    """A tank with too little for the pull runs dry, and the truth names it."""
    _, truths = drive_with_truth(replace(scenario(), tank_ml=34.0))
    assert any(truth.faults == ("empty_tank",) for truth in truths)
    assert max(truth.missing for truth in truths) > 0.5
    assert min(truth.tank_ml for truth in truths) >= 0.0


def test_flow_sensor_stuck() -> None:
    """The reading freezes while the true flow stays healthy and ends with the pull."""
    samples, truths = drive_with_truth(scenario(FAULTS[FaultKind.SENSOR_STUCK]))
    assert len({s.delivered_ml_min for s in between(samples, ONSET_S + 0.02, 10.1)}) == 1
    assert max(truth.missing for truth in truths) < 0.03
    assert truths[-1].flow_ml_min < 5.0


def test_wire_noise_damages_the_stated_share_and_nothing_else() -> None:
    """About 5 % of samples differ from the healthy run, each in one value, flow unharmed."""
    healthy = list(run(scenario(), 3))
    samples, truths = drive_with_truth(scenario(FAULTS[FaultKind.WIRE_NOISE]))
    differ = [
        sum(a.hex() != b.hex() for a, b in zip(x, y, strict=True))
        for x, y in zip(healthy, samples, strict=True)
    ]
    assert max(differ) == 1
    assert 8 <= sum(differ) <= 45  # 500 samples at 5 %, minus spikes of values that are 0
    assert any(isnan(value) for s in samples for value in s)
    assert any(value == NOT_SENT for s in samples for value in s[:-1])
    assert max(truth.missing for truth in truths) < 0.03


def test_a_fault_ends_and_can_wait_for_boost() -> None:
    """With a duration the pump runs again; with a boost condition the fault waits for it."""
    blip = Fault(FaultKind.PUMP_STOP, 0.0, above_boost_kpa=150.0, for_s=0.5)
    _, truths = drive_with_truth(scenario(blip))
    active = [truth for truth in truths if truth.faults]
    assert active[0].time_s > 2.0
    assert active[0].boost_kpa == pytest.approx(150.0, abs=5.0)
    assert active[-1].time_s - active[0].time_s == pytest.approx(0.5, abs=0.011)
    assert max(truth.missing for truth in truths) > 0.9
    assert truths[850].missing < 0.03
