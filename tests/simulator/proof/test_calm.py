"""Rows without a fault: how seldom a healthy car is acted on, decided and told."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules.facts import Action
from rules.step.from_rig import constants_of
from rules.step.state import N_FINDINGS, SIGNAL_LOST, UNDER_DELIVERY
from simulator.proof.calm import CalmsSoFar
from simulator.proof.false_pulls import Watched
from simulator.proof.limits import watch_chunk
from simulator.proof.outcomes import CHUNK, Cars
from simulator.proof.population import Population, filled
from simulator.proof.requirements import Calm
from simulator.proof.results import CalmResult, Verdict
from tests.kit.proofs import brindle

RIG = brindle().rig
CARS = Cars(RIG, RIG, filled(Population(), RIG, 0.02))
ONCE = Calm("false pulls", Action.PULL_TIMING, 1.0, "spraying", 0.95)
HOUR_S = 3600.0


def drive(
    pulls: int = 0, hours: float = 1.0, peaks: Any = (), finding: int = UNDER_DELIVERY
) -> Watched:
    """Return a drive, half of it in spray, in which timing was pulled so often."""
    by_finding = np.zeros((N_FINDINGS, 3), dtype=int)
    by_finding[finding] = [pulls, pulls, 0]
    entries = np.array([pulls, pulls, 0])
    return Watched(2.0 * HOUR_S, HOUR_S, entries, by_finding, np.array(peaks))


def decided(drives: Iterator[Watched], *calms: Calm, most: int = 4000) -> CalmsSoFar:
    """Return what drives decide."""
    found = CalmsSoFar(CARS, calms, most)
    while not found.done:
        found.add([next(drives) for _ in range(CHUNK)])
    return found


def quiet() -> Iterator[Watched]:
    """Yield drives in which nothing is said."""
    while True:
        yield drive()


def test_no_pull_in_enough_hours_passes() -> None:
    """Four times what is allowed; half of it where driving counts; a looser row is done before."""
    driving = replace(ONCE, of="driving")
    loose = replace(ONCE, at_most_per_100_h=10.0, action=Action.CUT_BOOST)
    found = decided(quiet(), ONCE, driving, loose)
    one, other, third = found.results()
    assert {result.verdict for result in found.results()} == {Verdict.PASS}
    assert 380.0 < one.hours < 420.0
    assert other.hours == pytest.approx(one.hours, abs=32.0)
    assert third.hours < 64.0
    assert (one.count, one.least) == (0, 0.0)
    assert 0.9 < one.most < 1.0
    assert "isn't told: found 0 peaks" in one.reason
    assert third.reason == ""
    assert len(found.seen) == round(one.hours)


def test_pulls_fail_a_row_and_are_named() -> None:
    """Every fourth drive: soon failed, with how often, where, and by which finding."""
    drives = (drive(int(i % 4 == 1), finding=SIGNAL_LOST) for i in range(10**6))
    (result,) = decided(drives, ONCE).results()
    assert result.verdict is Verdict.FAIL
    assert result.hours <= 48.0
    assert result.least > 1.0
    assert result.reason.startswith(f"it came {result.count} times in {result.count} of")
    assert "(signal lost" in result.reason
    assert result.hit == (1, 5, 9, 13)


def test_one_car_that_pulls_often_counts_once_and_for_all() -> None:
    """Ten pulls of one drive fail nothing, but what passes has to allow for ten of each."""
    one_bad = iter([drive(10), *[drive() for _ in range(4000)]])
    (result,) = decided(one_bad, ONCE, most=600).results()
    assert result.verdict is Verdict.UNDECIDED
    assert (result.count, round(result.hours)) == (10, 608)
    assert result.most > 5.0
    assert "608 h of spraying decide nothing: it came 10 times in 1 of 608" in result.reason
    lone = iter([drive(1), *[drive() for _ in range(4000)]])
    (result,) = decided(lone, ONCE).results()
    assert result.verdict is Verdict.PASS


def test_nothing_driven_is_undecided() -> None:
    """As where a proof is broken off at once."""
    (result,) = CalmsSoFar(CARS, [ONCE], 100).results()
    assert result == CalmResult(ONCE, Verdict.UNDECIDED, reason="not driven")
    assert CalmsSoFar(CARS, [ONCE], 100).left > 0
    assert CalmsSoFar(CARS, [], 100).done


@pytest.mark.parametrize("bad_cars", [1.0, 0.1])
def test_errors_are_as_rare_as_stated(bad_cars: float) -> None:
    """At the very rate that is asked for, all alike or one car in ten: few pass, few fail."""
    rng = np.random.default_rng(8)
    calm = replace(ONCE, at_most_per_100_h=5.0, confidence=0.9)

    def cars() -> Iterator[Watched]:
        while True:
            yield drive(int(rng.poisson(0.05 / bad_cars)) if rng.random() < bad_cars else 0)

    verdicts = [decided(cars(), calm, most=1600).results()[0].verdict for _ in range(60)]
    assert verdicts.count(Verdict.PASS) <= 10
    assert verdicts.count(Verdict.FAIL) <= 10


def test_evidence_tells_what_was_not_counted() -> None:
    """Peaks whose law is known: their rate at the limit, of spraying and of driving."""
    rng = np.random.default_rng(2)
    scale = constants_of(RIG).limit_nats / 12.0

    def drives() -> Iterator[Watched]:
        while True:
            yield drive(peaks=1.0 + rng.exponential(scale, 40))

    driving, cuts = replace(ONCE, of="driving"), replace(ONCE, action=Action.CUT_BOOST)
    one, half, cut = decided(drives(), ONCE, driving, cuts).results()
    truth = 4000.0 * np.exp(-12.0 + 1.0 / scale)
    assert one.extrapolated is not None
    assert half.extrapolated is not None
    rate, low, high = one.extrapolated
    assert low < rate < high
    assert low < truth < high < 5.0 * truth
    assert half.extrapolated[0] == pytest.approx(0.5 * rate, rel=0.5)
    told = f"by its lower peaks: {rate:.2g} in 100 h, at most {high:.2g}"
    assert one.reason == f"evidence of missing spray alone, {told}"
    assert cut.extrapolated is None


def test_a_drive_is_kept_as_numbers() -> None:
    """What is written down of it is all of it."""
    one = drive(3, peaks=[2.5, 7.25])
    again = Watched.of(list(one))
    assert list(again) == list(one)
    assert (again.by_finding == one.by_finding).all()
    with pytest.raises(ValueError, match="found 3 numbers"):
        Watched.of([1.0, 2.0, 3.0])


def test_a_rig_that_is_too_sure_fails_and_is_not_told_calm() -> None:
    """Tolerances too narrow by far: pulls are counted soon, and its evidence tells of more."""
    sensor = replace(RIG.flow_sensor, delay_within_s=0.004, lag_within_s=0.005, gain_within=0.01)
    narrow = replace(RIG, flow_sensor=sensor)
    hasty = replace(CARS, guard=narrow)
    drives = watch_chunk([hasty, CARS], 0)
    found = CalmsSoFar(hasty, [replace(ONCE, at_most_per_100_h=20.0)], CHUNK)
    found.add([of_hasty for of_hasty, _ in drives])
    (result,) = found.results()
    assert result.verdict is Verdict.FAIL
    assert result.extrapolated is None or result.extrapolated[2] > 20.0
    assert "(under-delivery " in result.reason
    own = [of_own for _, of_own in drives]
    assert [one.count(Action.PULL_TIMING) for one in own] == [0] * CHUNK
    sprayed = sum(one.sprayed_s for one in own) / sum(one.driven_s for one in own)
    assert 0.3 < sprayed < 0.7
