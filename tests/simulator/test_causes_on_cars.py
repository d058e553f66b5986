"""Cause ranking with every kind of control, and on the simulated cars."""

from dataclasses import replace
from math import inf, sin
from typing import Final

import pytest

from rules.causes.known import NOTHING_WRONG
from rules.causes.ranking import CauseRanker
from rules.channels import NOT_SENT, Sample
from rules.facts import CommandKind, Rig
from rules.step.state import UNDER_DELIVERY
from simulator.plant import Car, Do, Fault, FaultKind, Scenario, Step
from simulator.rig import find_rig, load_rig
from tests.bench.causes import (
    BRINDLE,
    CASES,
    ELSEWHERE,
    EVALUATION_SEEDS,
    OTHERS,
    TUNING_SEEDS,
    Place,
    brindle,
    rig_of,
    seeds,
    watch,
)
from tests.kit.batch import quick_guard
from tests.kit.decisions import altered
from tests.kit.rigs import of_kind


@pytest.mark.parametrize("kind", CommandKind)
def test_every_kind_of_control_can_be_ranked(kind: CommandKind) -> None:
    """A pull with each kind of spray control: healthy flow is nothing wrong."""
    rig: Rig = of_kind(kind, command={"rate_ml_min": 400.0})
    guard, ranker = quick_guard(rig), CauseRanker(rig)
    expected = 0.0
    for i in range(500):
        t = 0.01 * i
        flow = expected * (1.0 + 0.03 * sin(90.0 * t))
        decision = guard.step(Sample(t, 5000.0, 150.0, 70.0, NOT_SENT, NOT_SENT, 500.0, 70.0, flow))
        expected = decision.expected_ml_min
        if kind is not CommandKind.LOG_FLOW:  # the logged flow is another than the law's
            decision = altered(decision, value_commanded_ml_min=decision.commanded_ml_min)
        ranker.feed(decision)
    assert ranker.rank()[0].name == NOTHING_WRONG


@pytest.mark.parametrize("kind", [CommandKind.LOG_FLOW, CommandKind.LOG_PERCENT])
def test_a_logged_command_of_nil_under_boost_is_a_silent_controller(kind: CommandKind) -> None:
    """Where the log is the law only boost can tell that spray was due."""
    rig = of_kind(kind)
    guard, ranker = quick_guard(rig), CauseRanker(rig)
    for i in range(300):
        sample = Sample(
            0.01 * i, boost_kpa=150.0, commanded_ml_min=0.0, command_pct=0.0, delivered_ml_min=0.0
        )
        ranker.feed(guard.step(sample))
    assert ranker.rank()[0].name == "controller_silent"


def test_tuning_and_evaluation_seeds_never_meet() -> None:
    """Ranges are disjoint, and no two causes of a range share a seed."""
    assert set(TUNING_SEEDS).isdisjoint(EVALUATION_SEEDS)
    for of in (TUNING_SEEDS, EVALUATION_SEEDS):
        taken = [seed for cause in (*CASES, *OTHERS) for seed in seeds(of, cause, 10_000)]
        assert len(taken) == len(set(taken))
        assert min(taken) in of
        assert max(taken) in of


@pytest.mark.parametrize("cause", CASES)
def test_the_plant_agrees(cause: str) -> None:
    """In three closed-loop runs the true cause is first or second, mostly first."""
    firsts = 0
    for seed in seeds(range(3_000_000, 4_000_000), cause, 3):
        ranker = CauseRanker(brindle())
        watch(brindle(), cause, seed, ranker)
        ranking = ranker.rank()
        assert cause in {ranking[0].name, ranking[1].name}
        firsts += ranking[0].name == cause
    assert firsts >= 2


@pytest.mark.parametrize("place", ELSEWHERE, ids=lambda p: str(p.rig))
@pytest.mark.parametrize("cause", ["nothing_wrong", "supply_low", "split_after_sensor", "pump"])
def test_the_plant_agrees_elsewhere(place: Place, cause: str) -> None:
    """On the other shipped rigs the true cause is first, or first can't be told from it."""
    for seed in seeds(range(3_000_000, 4_000_000), cause, 2):
        ranker = CauseRanker(rig_of(place))
        watch(rig_of(place), cause, seed, ranker, place=place)
        first = ranker.rank()[0]
        alike = {name for doubt in first.cannot_tell for name in doubt.causes}
        assert cause in {first.name, *alike}
        assert cause != "nothing_wrong" or first.name == cause


@pytest.mark.parametrize(
    ("other", "taken_for"),
    [
        ("valve stuck shut", "clog"),
        ("regulator stuck", "pump"),
        ("flow sensor open", "sensor_dead"),
    ],
)
def test_faults_without_a_name_are_taken_for_the_nearest(other: str, taken_for: str) -> None:
    """Less opening is a restriction behind the pump; an early bypass is a weak pump."""
    for seed in seeds(range(3_000_000, 4_000_000), other, 2):
        ranker = CauseRanker(rig_of(BRINDLE))
        watch(rig_of(BRINDLE), other, seed, ranker)
        assert ranker.rank()[0].name == taken_for


ORRINBY: Final = load_rig(find_rig("orrinby")).rig
CHARGE_ALONE: Final = replace(
    ORRINBY,
    channels=tuple(terms for terms in ORRINBY.channels if terms.name != "line_kpa"),
    charge_sensor=brindle().charge_sensor,
)


def ranker_after(rig: Rig, fault: Fault) -> CauseRanker:
    """Return the ranking's state 0.8 s after a fault is found, in the second of two pulls."""
    drive = (
        Step(Do.CRUISE, 1.0, 3),
        Step(Do.PULL, 4.0, 3),
        Step(Do.LIFT, 1.0),
        Step(Do.PULL, 6.0, 4),
    )
    car, guard = Car(rig, Scenario("", "", rig, drive, (fault,)), 5), quick_guard(rig)
    ranker = CauseRanker(rig)
    decision = guard.decision()
    until_s = inf
    while not car.finished and car.state.time_s < until_s:
        (sample,) = car.step(decision.retard_deg, decision.boost_ceiling_kpa)
        decision = guard.step(sample)
        ranker.feed(decision)
        if decision.level[UNDER_DELIVERY] and until_s == inf:
            until_s = decision.time_s + 0.8
    assert until_s < inf
    return ranker


@pytest.mark.parametrize(
    ("rig", "sensor", "without", "reads_wrong"),
    [
        (
            ORRINBY,
            "line_sensor",
            ("intake_c",),
            Fault(FaultKind.SENSOR_SHORT, 9.0, channel="line_kpa"),
        ),
        (
            CHARGE_ALONE,
            "intake_sensor",
            (),
            Fault(FaultKind.SENSOR_OFFSET, 9.0, magnitude=0.1, ramp_s=0.5, channel="intake_c"),
        ),
    ],
    ids=["line pressure", "charge"],
)
def test_the_one_witness_is_named_beside_the_pump(
    rig: Rig, sensor: str, without: tuple[str, ...], reads_wrong: Fault
) -> None:
    """By itself it can't tell its own failure from a dead pump; lambda can."""
    alone = ("lambda_ratio", "knock", *without)
    for fault in (reads_wrong, Fault(FaultKind.PUMP_STOP, 9.0)):
        ranker = ranker_after(rig, fault)
        named = [cause.name for cause in ranker.rank(alone)[:3]]
        assert {sensor, "pump"} <= set(named)
        first = ranker.rank()[0].name
        assert (first == sensor) == (fault is reads_wrong)
