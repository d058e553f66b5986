"""Many guards on one stream: up to its first action each is as with a car of its own."""

from dataclasses import replace
from itertools import chain
from math import inf

import numpy as np
import pytest

from rules.facts import Rig
from rules.guard import Guard
from rules.step.state import Decision
from simulator.proof import one_stream
from simulator.proof.one_stream import first_actions, told_by_first_action, with_actions
from simulator.proof.outcomes import Cars, staged
from simulator.proof.requirements import Requirement
from simulator.proof.results import delay_s, failings
from simulator.runs import Drive
from tests.kit.proofs import QUICK, brindle, requirements

PULL, QUIET = requirements().requirements
CUT = requirements(
    QUICK.replace('"pull_timing"', '"cut_boost"', 1).replace("400 ms", "900 ms")
).requirements[0]
NEVER_THERE = requirements(QUICK.replace('at = "high"', 'boost = ["900 kPa", "950 kPa"]', 1))


def guards() -> list[Rig]:
    """Return rigs that are unlike in what decides: limits, and what they take the sensor for."""
    rig = brindle().rig
    own = rig.flow_sensor
    return [
        replace(rig, debt=replace(rig.debt, false_pull_every_h=1000.0, cut_s=0.8)),
        replace(rig, debt=replace(rig.debt, false_pull_every_h=1e-3)),
        replace(rig, flow_sensor=replace(own, delay_s=2.0 * own.delay_s, gain_within=0.02)),
        # It expects spray long before any can have come: it pulls before anything is wrong.
        replace(
            rig,
            flow_sensor=replace(
                own,
                delay_s=0.011,
                delay_within_s=0.001,
                lag_s=0.01,
                lag_within_s=0.001,
                noise=0.005,
            ),
            debt=replace(rig.debt, false_pull_every_h=1e-3),
        ),
    ]


def cars() -> Cars:
    """Return the cars of a rig that ships, those to choose by."""
    rig = brindle().rig
    return Cars(rig, rig, requirements().population, ~0)


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three cars are a chunk."""
    monkeypatch.setattr(one_stream, "CHUNK", 3)


@pytest.mark.parametrize("requirement", [PULL, QUIET, CUT], ids=["pull", "quiet", "cut"])
def test_first_actions_are_those_of_the_closed_loop(requirement: Requirement) -> None:
    """Bit for bit: onset, first finding, warning and what is asked for; and so is what fails."""
    ahead = first_actions(cars(), guards(), requirement, 1)
    closed = with_actions(cars(), guards(), requirement, 1)
    for one, other in zip(chain(*ahead), chain(*closed), strict=True):
        for of in ("number", "onset_s", "found_s", "warn_s"):
            assert getattr(one, of) == getattr(other, of)
        assert delay_s(requirement, one) == delay_s(requirement, other)
        if told_by_first_action(requirement):
            assert failings(requirement, one) == failings(requirement, other)
    before = [outcome.before for outcome in closed[-1]]
    assert max(before) >= 2  # the last guard acts before the fault: its own car was driven
    assert ahead[-1] == [
        outcome if outcome.before >= 2 else ahead[-1][i] for i, outcome in enumerate(closed[-1])
    ]


def test_rows_and_decisions_are_the_same_until_the_first_action() -> None:
    """Every figure of each row and decision, the first one that acts with them; then they part."""
    scenario, drawn, _ = staged(cars(), PULL, 5)
    assert scenario is not None
    rows = np.concatenate(
        [b.rows for b in Drive(scenario, drawn.seed, guarded=False, compiled=True)]
    )
    for rig in guards()[:3]:
        closed = list(Drive(scenario, drawn.seed, guarded=True, compiled=True, guard_rig=rig))
        acted = np.concatenate([block.decisions for block in closed])
        named = Decision.named(acted)
        acts = (named["retard_deg"] > 0.0) | (named["boost_ceiling_kpa"] < inf)
        first = int(np.argmax(acts)) + 1
        assert 1 < first < len(rows)
        own_rows = np.concatenate([block.rows for block in closed])
        watched = Guard(rig).run_rows(rows)
        assert np.array_equal(own_rows[:first], rows[:first], equal_nan=True)
        assert np.array_equal(acted[:first], watched[:first], equal_nan=True)
        assert not np.array_equal(own_rows, rows[: len(own_rows)], equal_nan=True)


def test_a_point_that_is_never_reached_is_none() -> None:
    """For no guard has the fault begun."""
    (requirement, _) = NEVER_THERE.requirements
    for of_guard in first_actions(cars(), guards()[:2], requirement, 0):
        assert not any(outcome.began for outcome in of_guard)


def test_what_follows_an_action_is_not_told() -> None:
    """Harm, work, and nothing harder than a pull: these need a car that was acted on."""
    assert told_by_first_action(PULL)
    assert told_by_first_action(QUIET)
    assert not told_by_first_action(replace(PULL, harm_at_most=5.0))
    assert not told_by_first_action(replace(PULL, work_lost_at_most_kj=5.0))
    assert not told_by_first_action(replace(PULL, at_most=PULL.at_least))
