"""In what the rig seems wrong about the car: told, widened for, and over once it fits."""

from collections.abc import Callable
from math import sqrt

import numpy as np
import pytest

from rules.explain import explain
from rules.facts import Action, Rig
from rules.step.rig_doubts import KEPT_S, KNOWN_S
from rules.step.state import (
    COARSE,
    FELL,
    HOLDS,
    NO_DOUBT,
    NOISY,
    READS_HIGH,
    READS_LOW,
    RIG_DOUBTED,
    UNDER_DELIVERY,
    Decision,
    State,
)
from tests.kit.entries import Floats, correlated
from tests.kit.rigs import Drive, rig

HZ = 100
Read = Callable[[Floats], Floats]


def sprayed(facts: Rig, read: Read, for_s: float = 60.0, noise: float = 0.03) -> list[Decision]:
    """Return the decisions of steady spray of 500 mL/min whose true flow is read in some way."""
    n = round(for_s * HZ)
    true = 500.0 * (1.0 + noise * correlated(n, 0.05 / 0.06, 3))
    drive = Drive(facts, long=True)
    drive.run(1.0)
    return [d for flow in read(true).tolist() for d in drive.run(0.01, delivered_ml_min=flow)]


def steps(of_ml_min: float) -> Read:
    """Return a reading in steps."""
    return lambda true: np.round(true / of_ml_min) * of_ml_min


def held(rows: int) -> Read:
    """Return a reading that is new once in so many rows."""
    return lambda true: true[np.arange(len(true)) // rows * rows]


def fallen(share: float, at_s: float = 40.0) -> Read:
    """Return a reading that loses a share and stays so."""
    return lambda true: true * np.where(np.arange(len(true)) < at_s * HZ, 1.0, 1.0 - share)


@pytest.mark.parametrize(
    ("read", "noise", "doubt", "says"),
    [
        (held(20), 0.03, HOLDS, "holds each reading for 200 ms: say so as refresh (now 0 ms)"),
        (steps(40.0), 0.03, COARSE, "in steps of 40 mL/min: say so as floor (now 20 mL/min)"),
        (lambda true: true, 0.12, NOISY, "raise noise (now 4.0 %), or mend the sensor"),
        (lambda true: 0.912 * true, 0.02, READS_LOW, "reads 8 % below what the rig makes of"),
        (lambda true: 1.1 * true, 0.03, READS_HIGH, "reads 8 % above what the rig makes of"),
        (fallen(0.03), 0.02, FELL, "has fallen by 2 % or more in this drive and stays so"),
    ],
)
def test_each_doubt_is_told_in_the_first_healthy_minutes(
    read: Read, noise: float, doubt: float, says: str
) -> None:
    """A warning that says what to change in the rig, and no action for want of spray."""
    facts = rig()
    decisions = sprayed(facts, read, 120.0, noise)
    assert {d.rig_doubt for d in decisions} == {NO_DOUBT, doubt}
    raised = next(d for d in decisions if d.level[RIG_DOUBTED] > 0.0)
    assert raised.learned_s >= KNOWN_S
    assert raised.action == Action.WARN
    assert says in explain(facts, RIG_DOUBTED, decisions[-1])
    assert max(d.level[UNDER_DELIVERY] for d in decisions) < Action.PULL_TIMING


@pytest.mark.parametrize(
    ("sensor", "read", "noise"),
    [
        ({}, lambda true: true, 0.04),
        ({}, lambda true: 0.95 * true, 0.04),
        ({}, lambda true: 1.05 * true, 0.04),
        ({}, steps(20.0), 0.03),
        ({"floor_ml_min": 40.0}, steps(40.0), 0.03),
        ({"refresh_s": 0.2}, held(20), 0.03),
        ({"noise": 0.12}, lambda true: true, 0.12),
        ({}, fallen(0.02, 20.0), 0.02),  # less than three tenths of what the rig may be off
        ({}, fallen(-0.03, 20.0), 0.02),
    ],
)
def test_a_car_as_its_rig_says_is_not_doubted(
    sensor: dict[str, float], read: Read, noise: float
) -> None:
    """Nor one whose rig says what was told of above."""
    decisions = sprayed(rig(flow_sensor=sensor), read, 60.0, noise)
    assert {d.rig_doubt for d in decisions} == {NO_DOUBT}
    assert {d.action for d in decisions} == {Action.NO_ACTION}


def test_a_coarse_reading_is_judged_with_the_noise_of_its_rounding() -> None:
    """Rounding to steps of 60 mL/min leaves a variance of 300, where the rig says 25."""
    drive = Drive(rig())
    for flow in steps(60.0)(500.0 * (1.0 + 0.08 * correlated(1500, 0.8, 1))).tolist():
        drive.run(0.01, delivered_ml_min=flow)
    state = State.of_flat(drive.guard.state())
    assert drive.guard.constants.floor_sq == 25.0
    assert sqrt(state.floor_sq) == pytest.approx(60.0 / sqrt(12.0), rel=0.1)


def test_a_doubt_is_over_once_the_sensor_fits_again() -> None:
    """Ten seconds of healthy spray without it, and no sooner."""
    drive = Drive(rig())
    for flow in steps(50.0)(500.0 * (1.0 + 0.05 * correlated(1000, 0.8, 1))).tolist():
        drive.run(0.01, delivered_ml_min=flow)
    assert drive.last.rig_doubt == COARSE
    fine = 500.0 * (1.0 + 0.03 * correlated(4000, 0.8, 2))
    decisions = [d for flow in fine.tolist() for d in drive.run(0.01, delivered_ml_min=flow)]
    over = next(i for i, d in enumerate(decisions) if d.rig_doubt == NO_DOUBT)
    assert KEPT_S - 0.1 < 0.01 * over < KEPT_S + 3.0
    assert decisions[-1].level[RIG_DOUBTED] == Action.NO_ACTION
