"""A pump whose speed follows the command: flow, the line's pressure, what a guard makes of it."""

from dataclasses import replace
from math import inf, sqrt

import pytest

from rules.channels import LINE
from rules.facts import Action, Command, CommandKind, Rig
from rules.step.command import commanded_flow_ml_min
from rules.step.from_rig import constants_of
from rules.step.hydraulics import flow_at_ml_min, full_flow_ml_min, line_due_kpa, stalled_kpa
from rules.step.line import line_missing_now
from rules.step.step import fresh_state
from tests.kit.rigs import Drive, first, terms
from tests.rules.step.test_line_alone import facts, rippling

PUMP = {
    "regulated_kpa": inf,
    "shut_off_kpa": 1600.0,
    "free_flow_ml_min": 1500.0,
    "follows_command": True,
}


def by_speed() -> Rig:
    """Return a rig without a flow sensor whose command is the pump's speed, in percent."""
    command = {"kind": CommandKind.LOG_PERCENT, "start_boost_kpa": 20.0}
    return facts(pump=PUMP, command=command, channels=terms("boost_kpa", "command_pct", "line_kpa"))


def test_without_back_pressure_flow_goes_with_speed_and_pressure_with_its_square() -> None:
    """The affinity laws, by themselves."""
    k = constants_of(by_speed())
    against = -k.check_valve_kpa
    full = full_flow_ml_min(k, against)
    for speed in (0.25, 0.5, 0.8):
        flow = flow_at_ml_min(k, against, speed)
        assert flow == pytest.approx(speed * full)
        full_kpa = line_due_kpa(k, against, full, full)
        assert line_due_kpa(k, against, flow, full) == pytest.approx(speed**2 * full_kpa)


@pytest.mark.parametrize("speed", [0.5, 0.75, 1.0])
def test_pump_line_and_nozzles_meet(speed: float) -> None:
    """The pressure due is where the pump's line at that speed and the nozzles' root law cross."""
    k = constants_of(by_speed())
    full = full_flow_ml_min(k, 150.0)
    flow = flow_at_ml_min(k, 150.0, speed)
    due = line_due_kpa(k, 150.0, flow, full)
    assert due == pytest.approx(1600.0 * speed**2 - 1600.0 / 1500.0 * speed * flow)
    assert flow == pytest.approx(sqrt(k.conductance_sq * (due - 150.0 - k.check_valve_kpa)))
    assert stalled_kpa(k, due, flow) == pytest.approx(1600.0 * speed**2)


def test_a_pump_too_slow_to_reach_the_back_pressure_gives_nothing() -> None:
    """1600 kPa at a quarter of its speed is 100 kPa: less than 150 of boost; none at rest."""
    k = constants_of(by_speed())
    assert flow_at_ml_min(k, 150.0, 0.25) == 0.0
    assert flow_at_ml_min(k, -60.0, 0.0) == 0.0  # nor does vacuum count as asked for


def test_a_share_of_the_command_is_a_share_of_speed() -> None:
    """In percent, by boost, by duty; a command in mL/min is one of flow."""
    rig = by_speed()
    k = constants_of(rig)
    half = flow_at_ml_min(k, 150.0, 0.5)
    assert commanded_flow_ml_min(k, 150.0, 0.0, 0.0, 50.0) == half
    assert half < 0.5 * full_flow_ml_min(k, 150.0)
    assert commanded_flow_ml_min(k, 150.0, 0.0, 0.0, 130.0) == full_flow_ml_min(k, 150.0)
    by_boost = Command(CommandKind.BOOST, 100.0, full_boost_kpa=200.0)
    assert commanded_flow_ml_min(
        constants_of(replace(rig, command=by_boost)), 150.0, 0.0, 0.0, 0.0
    ) == pytest.approx(half)


@pytest.mark.parametrize("pct", [70.0, 100.0])
def test_healthy_pressure_is_calm_and_a_stopped_pump_is_pulled_for(pct: float) -> None:
    """At part speed as at full: what a valve would hold is not expected of it."""
    rig = by_speed()
    k = constants_of(rig)
    full = full_flow_ml_min(k, 150.0)
    flow = flow_at_ml_min(k, 150.0, 0.01 * pct)
    due = line_due_kpa(k, 150.0, flow, full)
    drive = Drive(rig)
    for kpa in (due * rippling(5.0)).tolist():
        (decision,) = drive.run(0.01, boost_kpa=150.0, command_pct=pct, line_kpa=kpa)
        assert decision.action == Action.NO_ACTION
    falls = [
        decision
        for _ in range(20)
        for decision in drive.run(0.01, boost_kpa=150.0, command_pct=pct, line_kpa=190.0)
    ]
    assert first(falls, Action.PULL_TIMING) < 8


def test_a_clog_at_part_speed_is_sized_by_the_pressure_of_a_stalled_pump() -> None:
    """At 70 % of its speed the pump stalls at 784 kPa: there nothing flows."""
    k = constants_of(by_speed())
    full = full_flow_ml_min(k, 150.0)
    flow = flow_at_ml_min(k, 150.0, 0.7)
    due = line_due_kpa(k, 150.0, flow, full)
    s = fresh_state(k)
    s.line_high, s.line_gain, s.line_due_kpa, s.commanded_ml_min = 1.0, 1.0, due, flow
    for kpa, missing in ((784.1, 1.0), (0.5 * (784.0 + due), 0.5)):
        s.value[LINE] = kpa
        assert line_missing_now(k, s) == pytest.approx(missing, abs=1e-3)
