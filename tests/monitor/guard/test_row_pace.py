"""Rows too far apart to judge a rig by are told, with the figure needed, and nothing else is."""

from dataclasses import replace

import pytest

from monitor.guard.cause_desk import CauseDesk
from monitor.guard.row_pace import IN_PACE
from rules.channels import Sample
from rules.facts import Rig
from rules.guard import Guard
from rules.handling import handled, least_due_ml_min, longest_period_s
from simulator.rig import find_rig, load_rig
from tests.kit.rigs import rig

RIGS = ("brindle", "tarnwick", "ullesby", "wexmoor")


def said(facts: Rig, *paces: tuple[float, float], command_ml_min: float = 500.0) -> list[str]:
    """Return what is said of a healthy drive of so many seconds at so many rows a second."""
    guard, desk, time_s, words = Guard(facts), CauseDesk(facts), 0.0, []
    for for_s, hz in paces:
        for _ in range(round(for_s * hz)):
            expected = guard.decision().expected_ml_min
            sample = Sample(
                time_s,
                boost_kpa=150.0,
                commanded_ml_min=command_ml_min,
                delivered_ml_min=expected,
            )
            desk.feed(guard.step(sample))
            desk.work()
            words += desk.of_rig()
            time_s += 1.0 / hz
    return words


def test_rows_too_far_apart_are_told_once_with_what_is_needed() -> None:
    """Five a second where one in 120 ms or so is needed, within the first seconds of spray."""
    needed_s = longest_period_s(rig())
    assert 0.05 < needed_s < 0.18
    (words,) = said(rig(), (5.5, 5.0))
    assert words.startswith("rows come 200 ms apart, too far to judge this rig by")
    assert f"at most {1000.0 * needed_s:.0f} ms ({1.0 / needed_s:.0f} a second)" in words
    assert said(rig(), (60.0, 5.0)) == [words]


def test_it_is_said_when_rows_come_fast_enough_again() -> None:
    """And again when they don't."""
    words = said(rig(), (12.0, 5.0), (12.0, 20.0), (12.0, 5.0))
    assert len(words) == 3
    assert words[1] == IN_PACE


@pytest.mark.parametrize("hz", [10.0, 20.0, 50.0])
def test_rows_near_enough_are_not_told(hz: float) -> None:
    """Nor are rows far apart while nothing is sprayed."""
    assert said(rig(), (30.0, hz)) == []
    assert said(rig(), (30.0, 5.0), command_ml_min=0.0) == []


@pytest.mark.parametrize("name", RIGS)
def test_the_longest_period_is_the_last_at_which_a_pump_stop_is_handled_in_time(name: str) -> None:
    """A tenth more, and it is not."""
    facts = load_rig(find_rig(name)).rig
    boost_kpa = facts.paid.boost_kpa[-1]
    due = least_due_ml_min(facts, boost_kpa)
    longest_s, tolerant_s = longest_period_s(facts), facts.fault_intervals.tolerant_s
    assert 0.05 < longest_s < 0.3
    assert handled(facts, boost_kpa, due, 1.0, longest_s).pull_s <= tolerant_s
    assert handled(facts, boost_kpa, due, 1.0, longest_s + 0.001).pull_s > tolerant_s


def test_where_no_rows_are_near_enough_they_are_not_to_blame() -> None:
    """A fault that the engine doesn't survive for long is the rig's: check tells it."""
    facts = load_rig(find_rig("brindle")).rig

    intervals = replace(facts.fault_intervals, tolerant_s=0.05)
    assert longest_period_s(replace(facts, fault_intervals=intervals)) > 0.3
