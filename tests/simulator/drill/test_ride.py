"""A ride is driven, acted on, rewound: to the bit what the same doings give again."""

from dataclasses import replace
from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.facts import Action
from simulator.drill.ride import Answer, Ride
from simulator.drill.words import Act, Failsafe
from simulator.plant import Car, Do, Fault, FaultKind, Scenario, Step
from simulator.runs import Drive
from tests.kit.proofs import brindle
from tests.kit.rides import STOP, bits, driven, pull, truth

BRINDLE = brindle().rig
QUIET, STOPS = pull(), pull(STOP)


@pytest.mark.parametrize("guarded", [True, False])
def test_a_ride_left_alone_is_the_drive_it_is_of(guarded: bool) -> None:
    """With nobody at the keys it is the run of the same seed."""
    failsafe = Failsafe.ON if guarded else Failsafe.OFF
    ride = driven(Ride(STOPS, 3, failsafe=failsafe, compiled=False))
    drive = Drive(STOPS, 3, guarded=guarded, compiled=False)
    blocks = list(drive)
    assert np.array_equal(ride.record.rows, np.concatenate([b.rows for b in blocks]))
    decisions = np.concatenate([b.decisions for b in blocks])
    assert np.array_equal(ride.record.decisions, decisions, equal_nan=True)
    assert ride.report == drive.report
    assert ride.spans[0].begins_s == drive.spans[0].begins_s < inf


def test_interpreted_and_compiled_rides_are_alike() -> None:
    """Acts, faults, a rewind: whichever way the ride runs."""
    rides = [Ride(STOPS, 5, failsafe=Failsafe.OFF, compiled=compiled) for compiled in (False, True)]
    for ride in rides:
        driven(ride, 0.9)
        ride.act(Act.PULL_TIMING)
        number = ride.inject(Fault(FaultKind.CLOGGED_NOZZLE, magnitude=0.2))
        driven(ride, 0.4)
        moment = ride.mark()
        driven(ride, 0.3)
        ride.rewind(moment)
        ride.escalate(number, 0.8, 0.3)
        ride.acknowledge()
        driven(ride, 0.5)
        ride.act(Act.LIFT)
        ride.clear(0)
        driven(ride)
    assert bits(rides[0]) == bits(rides[1])
    assert rides[0].spans == rides[1].spans


KINDS = st.sampled_from(sorted(set(FaultKind) - {FaultKind.LOG_CUT}))
DOINGS = st.lists(
    st.one_of(
        st.sampled_from([*Act, "acknowledge", "mark"]),
        st.builds(Fault, KINDS, st.floats(0.0, 3.0), magnitude=st.floats(0.05, 1.0)),
        st.tuples(st.integers(0, 3), st.floats(0.0, 1.0), st.sampled_from([0.0, 0.4])),
        st.integers(0, 3),
    ),
    max_size=4,
)
LEGS = st.lists(st.tuples(DOINGS, st.integers(1, 45)), min_size=1, max_size=4)


def drive_legs(ride: Ride, legs: list[tuple[list[object], int]]) -> None:
    """Do what each leg says, and drive its samples."""
    for doings, samples in legs:
        for doing in doings:
            if isinstance(doing, Act):
                ride.act(doing)
            elif doing == "acknowledge":
                ride.acknowledge()
            elif doing == "mark":
                ride.mark()
            elif isinstance(doing, Fault):
                ride.inject(doing)
            elif isinstance(doing, tuple):
                ride.escalate(doing[0] % len(ride.spans), *doing[1:])
            else:
                assert isinstance(doing, int)
                ride.clear(doing % len(ride.spans))
        for _ in range(samples):
            ride.step()


@settings(max_examples=20)
@given(before=LEGS, gone=LEGS, after=LEGS, failsafe=st.sampled_from(list(Failsafe)))
def test_after_a_rewind_the_same_steps_give_the_same_bits(
    before: list[tuple[list[object], int]],
    gone: list[tuple[list[object], int]],
    after: list[tuple[list[object], int]],
    failsafe: Failsafe,
) -> None:
    """Whatever happened after the mark, it is as if it never had."""
    straight, back = (
        Ride(STOPS, 9, failsafe=failsafe, late_by_s=0.2, compiled=False) for _ in range(2)
    )
    for ride in (straight, back):
        drive_legs(ride, before)
    moment = back.mark()
    drive_legs(back, gone)
    back.rewind(moment)
    for ride in (straight, back):
        drive_legs(ride, after)
    assert bits(straight) == bits(back)
    assert (straight.answers, straight.spans, straight.facts) == (
        *(back.answers, back.spans, back.facts),
    )
    assert straight.decision.flat() == pytest.approx(back.decision.flat(), abs=0.0, nan_ok=True)


@settings(max_examples=15)
@given(legs=LEGS, failsafe=st.sampled_from(list(Failsafe)))
def test_interpreted_and_compiled_rides_agree_whatever_is_done(
    legs: list[tuple[list[object], int]], failsafe: Failsafe
) -> None:
    """To the bit: rows, decisions, truths, and where each fault stands."""
    rides = [
        Ride(STOPS, 3, failsafe=failsafe, late_by_s=0.1, compiled=compiled)
        for compiled in (False, True)
    ]
    for ride in rides:
        drive_legs(ride, legs)
    assert bits(rides[0]) == bits(rides[1])
    assert rides[0].spans == rides[1].spans


@settings(max_examples=15)
@given(
    faults=st.lists(st.builds(Fault, KINDS, st.floats(0.0, 1.0)), max_size=2),
    spare=st.integers(1, 40),
    compiled=st.booleans(),
)
def test_faults_that_nobody_puts_in_change_no_bit(
    faults: list[Fault], spare: int, compiled: bool
) -> None:
    """However many there is room for, and whatever goes wrong beside them."""
    scenario = pull(*faults)
    plain, roomy = (Car(BRINDLE, scenario, 3, compiled=compiled, spare=room) for room in (0, spare))
    for _ in range(160):
        rows = [np.array(car.step(0.0, inf)).tobytes() for car in (plain, roomy)]
        assert rows[0] == rows[1]
        assert plain.truth() == roomy.truth()


@settings(max_examples=15)
@given(
    legs=LEGS,
    failsafe=st.sampled_from(list(Failsafe)),
    ways=st.lists(st.booleans(), min_size=4, max_size=4),
)
def test_driven_at_once_or_step_by_step_is_the_same(
    legs: list[tuple[list[object], int]], failsafe: Failsafe, ways: list[bool]
) -> None:
    """To the bit, whatever is done between, and whichever way each leg is driven."""
    stepped, mixed = (
        Ride(STOPS, 3, failsafe=failsafe, late_by_s=0.1, compiled=True) for _ in range(2)
    )
    for leg, at_once in zip(legs, ways, strict=False):
        for ride, how in ((stepped, False), (mixed, at_once)):
            drive_legs(ride, [(leg[0], 1)])
            if how:
                ride.drive(leg[1])
            else:
                drive_legs(ride, [([], leg[1])])
    assert bits(mixed) == bits(stepped)
    assert (mixed.spans, mixed.report, mixed.facts) == (
        *(stepped.spans, stepped.report, stepped.facts),
    )
    assert mixed.decision.flat() == pytest.approx(stepped.decision.flat(), abs=0.0, nan_ok=True)


@pytest.mark.parametrize("failsafe", [Failsafe.ON, Failsafe.OFF])
@pytest.mark.parametrize("kind", [FaultKind.PUMP_STOP, FaultKind.LOG_CUT, FaultKind.WIRE_NOISE])
def test_driven_at_once_ends_where_steps_do(failsafe: Failsafe, kind: FaultKind) -> None:
    """At the drive's end or its log's, from one block of draws into the next."""
    long = Scenario("long", "Long.", BRINDLE, (Step(Do.CRUISE, 30.0, 3), Step(Do.PULL, 5.0, 3)))
    faulty = replace(long, faults=(Fault(kind, 31.0),))
    stepped, at_once = (Ride(faulty, 1, failsafe=failsafe, compiled=True) for _ in range(2))
    driven(stepped)
    at_once.drive()
    assert at_once.finished
    assert bits(at_once) == bits(stepped)
    assert (at_once.facts, at_once.spans) == (stepped.facts, stepped.spans)


def test_a_rewind_reaches_back_past_the_draws_at_hand() -> None:
    """The noise of the block before is drawn again."""
    long = Scenario("long", "Long.", BRINDLE, (Step(Do.CRUISE, 90.0, 3),), rate_hz=10.0)
    ride = driven(Ride(long, 1, compiled=True), 40.0)
    moment = ride.mark()
    driven(ride, 30.0)
    first = bits(ride)
    ride.rewind(moment)
    assert ride.time_s == moment.time_s == 40.0
    assert bits(driven(ride, 30.0)) == first


def test_what_a_trainee_does_changes_what_happens() -> None:
    """Each harder act costs more work, and spares the engine."""
    harms = {}
    for act in Act:
        ride = driven(Ride(STOPS, 1, failsafe=Failsafe.OFF, compiled=False), 1.2)
        ride.act(act)
        harms[act] = driven(ride).report
        assert ride.answers == (Answer(1.2, "act", act.value),)
    assert harms[Act.HOLD].harm > 3.0 * harms[Act.PULL_TIMING].harm
    work = [harms[act].work_kj for act in Act]
    assert work == sorted(work, reverse=True)
    assert harms[Act.LIFT].work_kj < 0.7 * harms[Act.HOLD].work_kj


def test_a_lift_shuts_the_pedal_and_keeps_the_gear_until_it_is_held_again() -> None:
    """The script goes on beneath, and takes over again."""
    ride = driven(Ride(QUIET, 1, compiled=False), 1.5)
    gear = truth(ride, "true_gear")[-1]
    ride.act(Act.LIFT)
    driven(ride, 1.0)
    assert truth(ride, "true_boost_kpa")[-1] < 0.0
    assert truth(ride, "true_gear")[-1] == gear
    assert truth(ride, "true_torque_nm")[-1] < 0.0
    ride.act(Act.HOLD)
    driven(ride)
    assert truth(ride, "true_boost_kpa")[-1] > 50.0


def test_orders_of_guard_and_trainee_are_merged() -> None:
    """The greater retard and the lower ceiling count."""
    ride = driven(Ride(STOPS, 1, compiled=False), 1.0)
    ride.act(Act.CUT_BOOST)
    driven(ride)
    ceilings = truth(ride, "true_ceiling_kpa")
    assert ceilings[-1] == BRINDLE.paid.dry_limit_kpa
    retards = truth(ride, "true_retard_deg")
    asked = ride.record.asked[:, 0]
    assert asked.max() > 0.0  # the guard pulled, too
    assert retards.max() >= asked.max()


@pytest.mark.parametrize("late_by_s", [0.3, 0.5])
def test_a_late_failsafe_reaches_the_car_later(late_by_s: float) -> None:
    """By just as much, and the engine is longer at full timing."""
    prompt = driven(Ride(STOPS, 1, compiled=False))
    late = driven(Ride(STOPS, 1, failsafe=Failsafe.LATE, late_by_s=late_by_s, compiled=False))
    first = [int(np.argmax(truth(ride, "true_retard_deg") > 0.0)) for ride in (prompt, late)]
    assert first[1] - first[0] == round(100.0 * late_by_s)
    asked = [int(np.argmax(ride.record.asked[:, 0] > 0.0)) for ride in (prompt, late)]
    assert asked[0] == asked[1]
    assert late.report.work_kj > prompt.report.work_kj


def test_an_acknowledgement_reaches_the_guard_as_one_from_the_screen_does() -> None:
    """It comes as a row of its own, before what is new."""
    ride = driven(Ride(STOPS, 1, compiled=False), 2.5)
    assert ride.decision.action >= Action.PULL_TIMING
    ride.acknowledge()
    (row, _), *_ = ride.step()
    assert row.operator == 1.0
    assert ride.record.rows[-2, -1] == 1.0
    assert ride.answers[-1].kind == "acknowledge"


def test_an_acknowledgement_is_dated_by_the_guards_clock() -> None:
    """Where the logger's clock has stepped back, it steps no second time."""
    back = Fault(FaultKind.CLOCK_STEP, 1.0, magnitude=-0.5)
    ride = driven(Ride(pull(back), 1, compiled=False), 2.0)
    ride.acknowledge()
    (row, decision), *_ = ride.step()
    assert row.time_s == pytest.approx(-3.0)
    assert decision.late == 0.0


def test_a_fault_injected_grows_stands_and_goes() -> None:
    """It ramps from where it stands, and heals when cleared."""
    ride = driven(Ride(QUIET, 1, failsafe=Failsafe.OFF, compiled=False), 1.5)
    number = ride.inject(Fault(FaultKind.CLOGGED_NOZZLE, magnitude=0.2))
    assert ride.spans[number].begins_s == inf
    driven(ride, 0.2)
    assert ride.spans[number].begins_s == pytest.approx(1.5, abs=0.011)
    assert ride.spans[number].now == 0.2
    ride.escalate(number, 0.6, 0.4)
    driven(ride, 0.2)
    assert ride.spans[number].now == pytest.approx(0.4, abs=0.02)
    driven(ride, 0.5)
    assert ride.spans[number].now == 0.6
    ride.clear(number)
    driven(ride, 0.1)
    assert ride.spans[number].now == 0.0
    assert ride.spans[number].ends_s == pytest.approx(2.4, abs=0.011)
    other = ride.inject(Fault(FaultKind.PUMP_STOP, above_boost_kpa=300.0))
    ride.clear(other)
    driven(ride)
    assert ride.spans[other].begins_s == inf


def test_a_fault_that_is_not_there_is_refused() -> None:
    """The numbers are those of the faults there are."""
    ride = Ride(QUIET, 1, compiled=False)
    with pytest.raises(ValueError, match="found fault 0, expected one of 0"):
        ride.clear(0)
    with pytest.raises(ValueError, match="found fault 2, expected one of 0"):
        ride.escalate(2, 0.5)


def test_no_more_faults_than_there_is_room_for() -> None:
    """One too many is told, and changes nothing."""
    ride = Ride(QUIET, 1, compiled=False)
    for _ in range(32):
        ride.inject(Fault(FaultKind.SIPHON))
    with pytest.raises(ValueError, match="found 32 faults already"):
        ride.inject(Fault(FaultKind.SIPHON))
    assert len(ride.spans) == 32


def test_a_call_is_noted_and_does_nothing() -> None:
    """Words alone leave the car alone."""
    called, silent = (driven(Ride(QUIET, 1, compiled=False), 0.5) for _ in range(2))
    called.call("pump")
    assert called.answers == (Answer(0.5, "call", "pump"),)
    assert bits(driven(called)) == bits(driven(silent))
    assert called.facts == silent.facts


def test_the_newest_decision_is_at_hand() -> None:
    """Also before the first sample."""
    ride = Ride(QUIET, 1, compiled=False)
    assert ride.decision.action == Action.NO_ACTION
    told = ride.step()
    assert told[-1][1] is ride.decision
