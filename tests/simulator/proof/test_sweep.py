"""Sweeps: the same cars at every point, a front that none beats, its middle recommended."""

from collections.abc import Sequence
from dataclasses import replace
from math import inf
from typing import Any

import numpy as np
import pytest

from rules.facts import Rig
from rules.step.state import N_FINDINGS
from simulator.proof import sweep as sweeping
from simulator.proof.false_pulls import Watched
from simulator.proof.outcomes import CHUNK, Cars, Outcome
from simulator.proof.population import draw
from simulator.proof.requirements import Requirement
from simulator.proof.results import Verdict
from simulator.proof.sweep import front_of, is_beaten, is_calm, is_met, late_share, sweep
from tests.kit.proofs import QUICK, brindle, ran, requirements

CALM = """
[[calm]]
name = "calm"
action = "pull_timing"
at_most_per_100_h = 100
of = "spraying"
"""
ASKED = requirements(QUICK + CALM)
SLOW_S = 0.7  # a rig with this cut is a tenth of a second later
EVERY_H = (1.0, 10.0, 100.0, 1000.0)


def cars() -> Cars:
    """Return the cars of a rig that ships."""
    rig = brindle().rig
    return Cars(rig, rig, ASKED.population)


def guard(every_h: float) -> Rig:
    """Return a rig with this limit."""
    rig = brindle().rig
    return replace(rig, debt=replace(rig.debt, false_pull_every_h=every_h))


POINTS = [((i / 3.0,), guard(every_h)) for i, every_h in enumerate(EVERY_H)]


def made_up(
    harm: float, cars: Cars, guards: Sequence[Rig], row: Requirement, chunk: int
) -> list[list[Outcome]]:
    """Return runs nobody drove: who waits longer acts later, the last too late."""
    took_s = {1.0: 0.1, 10.0: 0.2, 100.0: 0.3, 1000.0: 0.5}
    return [
        [
            ran(
                chunk * CHUNK + i,
                took_s[one.debt.false_pull_every_h] + 0.1 * (one.debt.cut_s == SLOW_S),
                worst=1,
                harm=harm,
            )
            for i in range(CHUNK)
        ]
        for one in guards
    ]


def made_up_drives(guarded: Sequence[Cars], chunk: int) -> list[list[Watched]]:
    """Return drives nobody drove: the most hasty one pulls in each."""
    none = np.zeros((N_FINDINGS, 3), dtype=int)
    pulls = [int(cars.guard.debt.false_pull_every_h < 5.0) for cars in guarded]
    said = [Watched(400.0, 200.0, np.array([1, n, 0]), none, np.array([3.0])) for n in pulls]
    return [said] * CHUNK


@pytest.fixture
def given(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    """Let nothing be driven; what would have been is listed."""
    asked: list[tuple[Any, ...]] = []

    def first_actions(*task: Any) -> list[list[Outcome]]:
        asked.append(("first", *task))
        return made_up(0.0, *task)

    def with_actions(*task: Any) -> list[list[Outcome]]:
        asked.append(("acting", *task))
        return made_up(2.0, *task)

    def watch_chunk(*task: Any) -> list[list[Watched]]:
        asked.append(("healthy", *task))
        return made_up_drives(*task)

    monkeypatch.setattr(sweeping, "first_actions", first_actions)
    monkeypatch.setattr(sweeping, "with_actions", with_actions)
    monkeypatch.setattr(sweeping, "watch_chunk", watch_chunk)
    return asked


def test_every_point_is_tried_on_the_same_cars(given: list[tuple[Any, ...]]) -> None:
    """Cars that choose judge nobody; all guards share a job, those of the front act besides."""
    told: list[tuple[int, int]] = []
    swept = sweep(ASKED, cars(), POINTS, 17, progress=lambda *done: told.append(done))
    assert swept.runs == 2 * CHUNK
    assert {task[1].seed_set for task in given if task[0] != "healthy"} == {~0}
    kinds = [task[0] for task in given]
    assert [kinds.count(kind) for kind in ("healthy", "first", "acting")] == [2, 4, 4]
    rigs = [brindle().rig, *(rig for _, rig in POINTS)]
    assert all(list(task[2]) == rigs for task in given if task[0] == "first")
    healthy = [task[1] for task in given if task[0] == "healthy"]
    assert all([cars.guard for cars in guarded] == rigs for guarded in healthy)
    assert all(cars.seed_set == ~0 for guarded in healthy for cars in guarded)
    assert all(len(task[2]) == 1 + len(swept.front) for task in given if task[0] == "acting")
    assert told[-1] == (10, 10)
    assert all(len(row.outcomes) == 2 * CHUNK for point in swept.points for row in point.rows)


def test_the_middle_of_what_meets_all_is_recommended(given: list[tuple[Any, ...]]) -> None:
    """The hasty one pulls falsely and the slow one is late: neither; of the rest the calmer."""
    swept = sweep(ASKED, cars(), POINTS, CHUNK)
    assert [point.unmet for point in swept.points] == [("calm",), (), (), ("pump stop",)]
    assert swept.points[0].pulls_per_100_h == pytest.approx(1800.0)
    assert [round(100.0 * point.late) for point in swept.points] == [25, 50, 75, 125]
    # A limit that is higher was come near to by a smaller share: it is calmer, though none pulled.
    assert swept.front == (0, 1, 2, 3)
    assert swept.best == (1, 2)
    assert swept.recommended == 2
    assert swept.neighbours(2) == (1, 3)
    assert [point.acted for point in swept.points] == [True] * 4
    assert swept.points[2].harm == 2.0
    assert swept.as_it_is.place == ()


def test_what_is_later_and_no_calmer_does_not_act(given: list[tuple[Any, ...]]) -> None:
    """It is beaten, so that its own cars aren't driven: harm and work are not known of it."""
    slow = replace(guard(10.0), debt=replace(guard(10.0).debt, cut_s=SLOW_S))
    swept = sweep(ASKED, cars(), [((0.0,), guard(10.0)), ((1.0,), slow)], CHUNK)
    assert [point.acted for point in swept.points] == [True, False]
    assert swept.points[1].late > swept.points[0].late
    assert swept.points[1].near == swept.points[0].near
    assert swept.front == (0,)
    assert [len(task[2]) for task in given if task[0] == "acting"] == [2, 2]


def test_first_actions_alone_pass_no_row_that_asks_for_more() -> None:
    """They may fail it."""
    (row, _) = ASKED.requirements
    asks = replace(row, harm_at_most=5.0)
    for took_s, verdict in ((0.1, Verdict.UNDECIDED), (0.5, Verdict.FAIL)):
        outcomes = [ran(i, took_s) for i in range(4 * CHUNK)]
        result = sweeping._row(cars(), asks, outcomes, whole=False)
        assert result.verdict is verdict
    assert sweeping._row(cars(), asks, outcomes, whole=True).verdict is Verdict.FAIL


def test_none_beats_a_point_of_the_front() -> None:
    """As good in all and better in something; alike, neither is beaten."""
    assert is_beaten((1.0, 2.0), (1.0, 1.0))
    assert not is_beaten((1.0, 2.0), (1.0, 2.0))
    assert not is_beaten((1.0, 2.0), (2.0, 1.0))
    assert is_beaten((1.0, inf), (1.0, 5.0))
    assert front_of([]) == []


def test_where_none_meets_all_the_least_lacking_is_recommended(
    given: list[tuple[Any, ...]],
) -> None:
    """By the share of runs that is wanting, not by where it stands."""
    hopeless = requirements(QUICK.replace("400 ms", "50 ms"))
    swept = sweep(hopeless, cars(), POINTS, CHUNK)
    assert {point.unmet for point in swept.points} == {("pump stop",)}
    assert swept.best == swept.front
    some = replace(swept.points[1].rows[0], passed=4)
    points = [*swept.points]
    points[1] = replace(points[1], rows=(some, points[1].rows[1]))
    assert points[1].lacking < points[0].lacking
    assert sweeping.best_of(points, swept.front) == (1,)


def test_rows_that_never_began_are_not_met(given: list[tuple[Any, ...]]) -> None:
    """Nothing driven is nothing shown; never acted on is later than any time."""
    swept = sweep(ASKED, cars(), POINTS[:1], CHUNK)
    (row, quiet), (calm,) = swept.points[0].rows, swept.points[0].calms
    assert not is_met(replace(row, outcomes=(Outcome(0),), passed=0))
    assert not is_calm(replace(calm, hours=0.0, count=0))
    assert is_calm(replace(calm, count=0))
    hasty = replace(
        swept.points[0], calms=(replace(calm, count=0, extrapolated=(400.0, 1.0, 1e3)),)
    )
    assert hasty.lacking == pytest.approx(0.75)
    assert replace(hasty, calms=(replace(calm, hours=0.0),)).lacking == 1.0
    assert not is_calm(replace(calm, count=0, extrapolated=(101.0, 1.0, 1000.0)))
    assert late_share(quiet) == 0.0
    assert late_share(replace(row, outcomes=tuple(ran(i, inf) for i in range(3)))) == inf


def test_cars_that_choose_are_no_cars_that_judge() -> None:
    """Below nil a set has seeds to tune by; the numbers go on."""
    population = ASKED.population
    seeds = [draw(population, number, seed_set).seed for seed_set in (~0, ~1) for number in (0, 7)]
    assert seeds == [0, 7, 100_000, 100_007]
    assert draw(population, 7, 0).seed == 2**31 + 7


def test_neighbours_on_a_grid_differ_in_one_key(given: list[tuple[Any, ...]]) -> None:
    """Next to it on either side, as far as there is a side."""
    places = [(x, y) for x in (0.0, 0.5, 1.0) for y in (0.0, 0.5, 1.0)]
    swept = sweep(ASKED, cars(), [(place, guard(10.0)) for place in places], CHUNK)
    assert swept.front == tuple(range(9))
    assert swept.recommended == 4
    assert {places[i] for i in swept.neighbours(4)} == {
        (0.0, 0.5),
        (1.0, 0.5),
        (0.5, 0.0),
        (0.5, 1.0),
    }
    assert {places[i] for i in swept.neighbours(0)} == {(0.5, 0.0), (0.0, 0.5)}
