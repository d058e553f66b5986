"""Edges of the findings: what a flipped sign, bound or unit in their arithmetic would change."""

import pytest

from rules.channels import NOT_SENT
from rules.facts import Action, CommandKind, Rig
from rules.step.evidence import CALM_NATS
from tests.kit.rigs import Drive, healthy, rig
from tests.rules.step.test_watch import CALM, IDLE, levels
from tests.rules.step.test_watch import facts as facts_of_kind


def facts() -> Rig:
    """Return a rig with everything in force, whose log says what is commanded."""
    return facts_of_kind(CommandKind.LOG_FLOW)


def test_the_time_left_in_the_tank_follows_the_use() -> None:
    """4000 mL at 500 mL/min last 480 s; at 250 mL/min, once the use is known, 960 s."""
    drive = healthy(facts(), **CALM)
    assert drive.run(10.0, **CALM)[-1].tank_s == pytest.approx(480.0, rel=0.02)
    half = drive.run(12.0, **{**CALM, "commanded_ml_min": 250.0})
    assert half[5].tank_s < 700.0  # the use is smoothed, so the figure does not jump
    assert half[-1].tank_s == pytest.approx(960.0, rel=0.02)
    assert drive.run(0.5, **{**CALM, **IDLE})[-1].tank_s == float("inf")


def test_a_low_level_counts_without_spray_and_little_time_only_with() -> None:
    """The reserve counts at any time, the time left only while it is being used."""
    idle = {**CALM, **IDLE}
    low = healthy(facts(), **CALM).run(3.0, **{**idle, "tank_ml": 250.0})
    assert max(levels(low, "tank_low")) == Action.WARN
    short = healthy(facts(), **CALM).run(3.0, **{**CALM, "tank_ml": 350.0})
    assert max(levels(short, "tank_low")) == 0.0  # 42 s at 500 mL/min; the limit is 30 s
    drive = healthy(facts(), **CALM)
    drive.run(10.0, **CALM)
    gone = drive.run(3.0, **{**CALM, "tank_ml": NOT_SENT})
    assert max(levels(gone, "tank_low")) == 0.0
    assert gone[-1].tank_s == pytest.approx(480.0, rel=0.02)  # a level 3 s old still counts


def test_flow_at_the_end_of_a_pull_is_not_unasked_for() -> None:
    """While the command, or the expectation behind it, still asks, flow is no siphon."""
    drive = healthy(facts(), **CALM)
    small = {**CALM, "commanded_ml_min": 60.0, "delivered_ml_min": 120.0}
    assert max(levels(drive.run(4.0, **small), "unasked_flow")) == 0.0


def test_cooling_is_shown_only_while_its_dry_reading_is_there() -> None:
    """The drop is 30 K, and unknown once the dry reading is gone."""
    drive = healthy(facts(), **CALM)
    assert drive.last.cooling_k == pytest.approx(30.0)
    gone = drive.run(2.0, **{**CALM, "dry_intake_c": NOT_SENT})[-1].cooling_k
    assert gone != gone


def test_a_command_that_comes_back_in_time_is_no_finding() -> None:
    """Nil for 0.2 s, there for a moment, nil again: the time starts anew."""
    nil = {**CALM, "commanded_ml_min": 0.0}
    drive = healthy(facts(), **CALM)
    decisions = drive.run(0.2, **nil) + drive.run(0.05, **CALM) + drive.run(0.2, **nil)
    assert max(levels(decisions, "no_command")) == 0.0
    lost = {**CALM, "commanded_ml_min": NOT_SENT}
    assert max(levels(healthy(facts(), **CALM).run(2.0, **lost), "no_command")) == 0.0


@pytest.mark.parametrize("commanded_ml_min", [2.0, 5.0, 9.0])
def test_a_flow_too_small_to_be_read_is_not_missed(commanded_ml_min: float) -> None:
    """Less than the floor is due and nil is read, as the rig says that it may be: no evidence."""
    drive = Drive(rig())
    trickle = {"boost_kpa": 52.0, "commanded_ml_min": commanded_ml_min, "delivered_ml_min": 0.0}
    decisions = drive.run(20.0, **trickle)
    assert max(d.evidence for d in decisions) < CALM_NATS
    assert {d.action for d in decisions} == {Action.NO_ACTION}
