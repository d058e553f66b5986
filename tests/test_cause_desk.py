"""Likely causes beside a running guard: once for each trouble, outside the decision path."""

from monitor.guard.cause_desk import CLOSEST_S, CauseDesk, causes_in_json
from rules.causes import CauseRanker
from rules.guard import Guard
from rules.state import Decision
from simulator.plant import run
from simulator.scenario import load_scenario


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
        desk.hear(decision)
        if desk.work():
            rankings.append((decision.time_s, desk.ranked))
    warned = next(d.time_s for d in decided("clogged_nozzle") if d.action > 0.0)
    assert abs(rankings[0][0] - warned - 0.5) < 0.02
    first = rankings[0][1][0]
    assert "clog" in first["label"]
    assert first["likelihood"] > 0.5
    assert any("line pressure" in words for words in first["evidence"])
    assert first["check_first"]


def test_a_healthy_run_ranks_nothing() -> None:
    """Without a finding in the spray system there is nothing to rank."""
    desk = CauseDesk(load_scenario("part_throttle").rig)
    for decision in decided("part_throttle"):
        desk.hear(decision)
        assert not desk.work()
    assert desk.ranked == []


def test_work_in_one_go_is_work_bit_by_bit() -> None:
    """However seldom the desk is worked, it comes to the same ranking."""
    rig = load_scenario("pump_stop").rig
    decisions = decided("pump_stop")[:1500]
    often, seldom = CauseDesk(rig), CauseDesk(rig)
    for decision in decisions:
        often.hear(decision)
        seldom.hear(decision)
        often.work()
    assert seldom.work()
    assert seldom.ranked == often.ranked != []


def test_decisions_too_close_together_are_left_out() -> None:
    """At 1000 samples/s the ranking is fed a hundred of them, and every change."""
    desk = CauseDesk(load_scenario("pump_stop").rig)
    still = decided("part_throttle")[100]._replace(changed=0.0)
    for i in range(1000):
        desk.hear(still._replace(time_s=i * 0.001))
    assert 95 <= len(desk._waiting) <= round(1.0 / CLOSEST_S)


def test_nothing_that_fits_is_not_a_cause() -> None:
    """A ranking that has seen no spray offers no cause."""
    assert causes_in_json(CauseRanker(load_scenario("pump_stop").rig).rank()) == []
