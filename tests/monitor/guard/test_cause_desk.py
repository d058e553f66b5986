"""Likely causes beside a running guard: once for each trouble, outside the decision path."""

from copy import deepcopy
from functools import cache

import pytest

from monitor.guard.cause_desk import CLOSEST_S, CauseDesk, likely_causes
from rules.causes.ranking import CauseRanker
from rules.guard import Guard
from rules.step.state import Decision
from simulator.plant import run
from simulator.scenario import load_scenario
from tests.kit.decisions import altered


def decided(name: str) -> list[Decision]:
    """Return a shipped scenario's decisions, with nobody acting on them."""
    scenario = load_scenario(name)
    guard = Guard(scenario.rig)
    return [guard.step(sample) for sample in run(scenario)]


def test_a_clog_is_ranked_first_half_a_second_into_the_trouble() -> None:
    """Flow down with line pressure up says clog, with the numbers that say so."""
    desk = CauseDesk(load_scenario("clogged_nozzle").rig)
    rankings = []
    for decision in decided("clogged_nozzle"):
        desk.feed(decision)
        if desk.work():
            rankings.append((decision.time_s, desk.ranked))
    warned = next(d.time_s for d in decided("clogged_nozzle") if d.action > 0.0)
    assert abs(rankings[0][0] - warned - 0.5) < 0.02
    first = rankings[0][1][0]
    assert "clog" in first.label
    assert first.likelihood > 0.5
    assert any("line pressure" in words for words in first.evidence)
    assert first.check_first


def test_a_healthy_run_ranks_nothing() -> None:
    """Without a finding in the spray system there is nothing to rank."""
    desk = CauseDesk(load_scenario("part_throttle").rig)
    for decision in decided("part_throttle"):
        desk.feed(decision)
        assert not desk.work()
    assert desk.ranked == []


def test_work_in_one_go_is_work_bit_by_bit() -> None:
    """However seldom the desk is worked, it comes to the same ranking."""
    rig = load_scenario("pump_stop").rig
    decisions = decided("pump_stop")[:1500]
    often, seldom = CauseDesk(rig), CauseDesk(rig)
    for decision in decisions:
        often.feed(decision)
        seldom.feed(decision)
        often.work()
    assert seldom.work()
    assert seldom.ranked == often.ranked != []


def test_decisions_too_close_together_are_left_out() -> None:
    """At 1000 samples/s the ranking is fed a hundred of them, and every change."""
    desk = CauseDesk(load_scenario("pump_stop").rig)
    still = altered(decided("part_throttle")[100], changed=0.0)
    for i in range(1000):
        desk.feed(altered(still, clock_s=i * 0.001))
    assert 95 <= len(desk._waiting) <= round(1.0 / CLOSEST_S)


def test_nothing_that_fits_is_not_a_cause() -> None:
    """A ranking that has seen no spray offers no cause."""
    assert likely_causes(CauseRanker(load_scenario("pump_stop").rig).rank()) == []


def test_a_trouble_that_ends_before_the_work_is_done_has_no_ranking() -> None:
    """Worked once over a trouble and its end, the desk has nothing new: an empty list is none."""
    decisions = decided("pump_stop")
    calm = altered(decisions[200], clock_s=decisions[-1].clock_s + 1.0)
    desk = CauseDesk(load_scenario("pump_stop").rig)
    for decision in (*decisions, calm):
        desk.feed(decision)
    assert not desk.work()
    assert desk.ranked == []


def first_named(guard: Guard, desk: CauseDesk, name: str) -> str:
    """Return the first cause that a desk names on a drive."""
    for sample in run(load_scenario(name)):
        desk.feed(guard.step(sample))
        if desk.work():
            return desk.ranked[0].cause
    raise AssertionError(f"nothing was named on {name}")


@cache
def named_alone(name: str) -> str:
    """Return the first cause named on a drive where there was none before."""
    rig = load_scenario(name).rig
    return first_named(Guard(rig), CauseDesk(rig), name)


@cache
def after(name: str) -> tuple[Guard, CauseDesk]:
    """Return a guard and a desk that went through a drive."""
    rig = load_scenario(name).rig
    guard, desk = Guard(rig), CauseDesk(rig)
    for sample in run(load_scenario(name)):
        desk.feed(guard.step(sample))
        desk.work()
    return guard, desk


@pytest.mark.parametrize(
    "second", ["clogged_nozzle", "supply_low", "sensor_dead", "controller_silent", "empty_tank"]
)
@pytest.mark.parametrize("first", ["pump_stop", "clogged_nozzle", "healthy_pulls"])
def test_a_clock_that_starts_again_deafens_nobody(first: str, second: str) -> None:
    """After a logger's restart another fault is named as if there had been none before it."""
    assert first_named(*deepcopy(after(first)), second) == named_alone(second)
