"""What runs amount to: verdicts, bounds, the worst, and why a row fails."""

import json
from dataclasses import replace
from math import inf

import pytest

from rules.facts import Action
from simulator.proof.outcomes import CHUNK, Cars, Outcome, drawn_for
from simulator.proof.requirements import Requirement
from simulator.proof.results import (
    CalmResult,
    Failing,
    Proof,
    RowResult,
    RowSoFar,
    Verdict,
    failings,
)
from tests.kit.proofs import brindle, ran, requirements

RIG = brindle().rig
ASKED = requirements()
CARS = Cars(RIG, RIG, ASKED.population)
ROW = replace(ASKED.requirements[0], share=0.9, confidence=0.95)


def judged(outcomes: list[Outcome], row: Requirement = ROW, most_runs: int = 4000) -> RowResult:
    """Return what these runs amount to, chunk by chunk."""
    found = RowSoFar(CARS, row, most_runs)
    for begin in range(0, len(outcomes), CHUNK):
        found.add(outcomes[begin : begin + CHUNK])
    return found.result()


def test_in_what_a_run_fails() -> None:
    """Each demand by itself; what never came is no delay."""
    hard = replace(ROW, at_most=Action.PULL_TIMING, harm_at_most=1.0, work_lost_at_most_kj=10.0)
    assert failings(hard, ran()) == ()
    assert failings(hard, ran(pull_s=0.4)) == ()
    assert failings(hard, ran(pull_s=0.41)) == (Failing.LATE,)
    assert failings(hard, ran(pull_s=inf)) == (Failing.NOTHING_DONE,)
    assert failings(hard, ran(pull_s=inf, before=2)) == (Failing.BEFORE,)
    assert failings(hard, ran(worst=3, harm=1.5, work_lost_kj=11.0)) == (
        Failing.TOO_HARD,
        Failing.HARM,
        Failing.WORK,
    )
    quiet = replace(ROW, at_least=Action.NO_ACTION, within_s=inf)
    assert failings(quiet, ran(pull_s=inf)) == ()


def test_a_row_stops_where_it_is_decided() -> None:
    """It passes or fails after as few chunks as that takes; later ones are not looked at."""
    passes = judged([ran(i) for i in range(20 * CHUNK)])
    assert passes.verdict is Verdict.PASS
    assert len(passes.outcomes) == 3 * CHUNK
    assert 0.9 <= passes.least < passes.most == 1.0
    fails = judged([ran(i, inf) for i in range(20 * CHUNK)])
    assert (fails.verdict, len(fails.outcomes), fails.passed) == (Verdict.FAIL, CHUNK, 0)
    assert fails.most < 0.9
    open_ = judged([ran(i, 0.2 if i % 10 else inf) for i in range(4 * CHUNK)])
    assert open_.verdict is Verdict.UNDECIDED
    assert open_.least < 0.9 < open_.most
    assert open_.reason.startswith("64 runs decide nothing: pull timing never came in 7 runs")


def test_censored_runs_stay() -> None:
    """A run in which nothing came is the slowest, not one left out."""
    row = judged([ran(i, inf if i in (3, 9) else 0.1 + 0.001 * i) for i in range(3 * CHUNK)])
    told = row.as_json()
    assert told["delay_s"] == {"p50": 0.125, "p95": pytest.approx(0.147), "p99": None, "most": None}
    assert [outcome.number for outcome in row.worst] == [3, 9, 47, 46, 45]
    assert told["outcomes"]["pull_s"][3] is None


def test_runs_that_never_began_count_for_nothing() -> None:
    """They are told; a point that is never reached is undecided, for that reason."""
    some = [ran(i) if i % 2 else Outcome(i) for i in range(10 * CHUNK)]
    assert judged(some).as_json()["runs_not_begun"] == len(judged(some).outcomes) // 2
    never = judged([Outcome(i) for i in range(20 * CHUNK)])
    assert (never.verdict, len(never.outcomes)) == (Verdict.UNDECIDED, 4 * CHUNK)
    assert never.reason == "the operating point was not reached in 64 runs"


def test_a_fail_names_what_sets_the_failing_runs_apart() -> None:
    """Cars that fail because of their delay fail by delay, in words."""

    def late_by_delay(number: int) -> Outcome:
        delay_s = drawn_for(CARS, ROW, number).spread.delay_s
        return ran(number, 0.5 if delay_s > 0.08 else 0.2)

    row = judged([late_by_delay(i) for i in range(8 * CHUNK)], replace(ROW, share=0.8))
    assert row.verdict is Verdict.FAIL
    late = "pull timing came late (half of them after 500 ms or more, 400 ms are asked for) in "
    assert late in row.reason
    assert "the runs that fail have more transport delay (ms): " in row.reason
    by_chance = judged([ran(i, 0.5 if i % 3 else 0.2) for i in range(8 * CHUNK)])
    assert "the runs that fail have" not in by_chance.reason


def test_the_whole_is_as_its_worst_row() -> None:
    """One fail fails; else one undecided is undecided; JSON has no number that is none."""
    good = judged([ran(i) for i in range(10 * CHUNK)])
    bad = judged([ran(i, inf) for i in range(CHUNK)])
    calm = CalmResult(requirements(CALM).calm[0], Verdict.UNDECIDED, reason="not measured")
    verdicts = {
        ((good,), ()): Verdict.PASS,
        ((good, bad), (calm,)): Verdict.FAIL,
        ((good,), (calm,)): Verdict.UNDECIDED,
    }
    for (rows, calms), verdict in verdicts.items():
        proof = Proof({"rig": "x"}, rows, calms)
        assert proof.verdict is verdict
        told = json.loads(json.dumps(proof.as_json(), allow_nan=False))
        assert "not the car" in told["does_not_prove"]
        assert len(told["requirements"]) == len(rows)


CALM = """
name = "Calm"
[[calm]]
name = "false pulls"
action = "pull_timing"
at_most_per_100_h = 1
"""
