"""The truth after a ride: who saw what when, who acted when, and what it cost."""

from math import inf

import numpy as np
import pytest

from simulator.drill.debrief import debrief
from simulator.drill.ride import Ride
from simulator.drill.twins import twins_of
from simulator.drill.words import Act, Failsafe
from simulator.plant import Fault, FaultKind
from tests.kit.rides import STOP, driven, pull


def rescued() -> Ride:
    """Return a ride whose trainee sees a pump stop, and lifts."""
    ride = driven(Ride(pull(STOP), 1, failsafe=Failsafe.OFF), 1.6)
    ride.call("clog")
    driven(ride, 0.3)
    ride.act(Act.LIFT)
    ride.call("pump")
    return driven(ride)


def test_a_debrief_tells_truth_signs_guard_and_trainee_in_order() -> None:
    """Onset, first sign, guard, trainee; harm and work against the others."""
    found = debrief(rescued())
    assert found.truth == (f"the pump stops, from {found.onset_s:.2f} s on",)
    assert found.first_sign is not None
    assert found.onset_s < found.first_sign.time_s < found.acted_s == pytest.approx(1.9)
    assert found.onset_s < found.guard_warn_s <= found.guard_pull_s < 1.9
    assert found.called == "pump"
    assert found.called_s == pytest.approx(1.6)
    assert [answer.kind for answer in found.answers] == ["call", "act", "call"]
    assert found.no_fault.harm == found.driven.harm == 0.0 < found.nobody.harm
    assert found.driven.work_kj < found.guard.work_kj < found.no_fault.work_kj
    assert found.check_first[0].startswith("pump fuse")
    assert found.guard_said.startswith("Evidence")
    assert found.cause == ""  # seen for too short a time
    left_alone = debrief(driven(Ride(pull(STOP), 1, failsafe=Failsafe.OFF)))
    assert left_alone.cause == "pump weak or stopped"


def test_a_healthy_ride_has_no_onset_and_no_sign() -> None:
    """Nothing is held against anybody."""
    found = debrief(driven(Ride(pull(), 1)))
    assert found.truth == ("nothing was wrong",)
    assert (found.onset_s, found.signs, found.first_sign) == (inf, (), None)
    assert (found.guard_warn_s, found.guard_pull_s, found.guard_cut_s) == (inf, inf, inf)
    assert (found.called, found.called_s, found.acted_s) == ("", inf, inf)
    assert found.guard_said == found.cause == ""
    assert found.check_first == ("nothing",)
    assert found.driven == found.guard == found.nobody == found.no_fault


def test_signs_end_where_the_guards_orders_change_the_car() -> None:
    """What follows is the order's doing as well; what nobody's car would show is told beside it."""
    watched = debrief(driven(Ride(pull(STOP), 1, failsafe=Failsafe.OFF)))
    helped = debrief(driven(Ride(pull(STOP), 1)))
    late = debrief(driven(Ride(pull(STOP), 1, failsafe=Failsafe.LATE, late_by_s=0.3)))
    assert watched.guard_pull_s == helped.guard_pull_s == late.guard_pull_s
    seen = [[sign for sign in one.signs if not sign.alone] for one in (helped, late, watched)]
    assert all(sign.time_s <= helped.guard_pull_s for sign in seen[0])
    assert 0 < len(seen[0]) < len(seen[1]) < len(seen[2])
    assert seen[2][: len(seen[1])] == seen[1]
    assert [sign.channel for sign in helped.signs] == [sign.channel for sign in watched.signs]
    assert helped.signs[-1].in_words.endswith(", if nobody acts")


def test_what_nobody_would_have_seen_is_told_only_of_the_same_onset() -> None:
    """A trainee who lifts before the pull never meets the fault."""
    ride = driven(Ride(pull(STOP), 1, failsafe=Failsafe.OFF), 0.8)
    ride.act(Act.LIFT)
    found = debrief(driven(ride))
    assert found.onset_s == inf
    assert found.signs == ()
    assert found.nobody.harm > 0.0


def test_an_order_that_is_not_done_shows_once_there_is_one() -> None:
    """Against the same ride in which it is done."""
    faults = (STOP, Fault(FaultKind.RETARD_IGNORED))
    found = debrief(driven(Ride(pull(*faults), 1)))
    of_orders = [sign for sign in found.signs if sign.fault == 1]
    assert of_orders[0].time_s > found.guard_pull_s
    assert {"timing_deg", "confirmed_retard_deg"} & {sign.channel for sign in of_orders}
    assert len(found.check_first) == 2


def test_a_fault_that_never_began_is_told_and_shows_nothing() -> None:
    """Its conditions never held."""
    found = debrief(driven(Ride(pull(Fault(FaultKind.PUMP_STOP, above_boost_kpa=300.0)), 1)))
    assert found.onset_s == inf
    assert "never" in found.truth[0]
    assert found.signs == ()
    assert found.check_first == ("nothing",)


def test_traces_lie_on_one_another_up_to_the_onset() -> None:
    """As driven and without the fault; with what every way cost over time."""
    found = debrief(rescued())
    traces = found.traces
    onset = int(np.searchsorted(traces.time_s, found.onset_s))
    assert "delivered_ml_min" in traces.driven
    assert traces.driven.keys() == traces.no_fault.keys()
    for name, values in traces.driven.items():
        assert len(values) == len(traces.time_s)
        assert np.array_equal(values[: onset - 1], traces.no_fault[name][: onset - 1])
    assert traces.harm[-1] == found.driven.harm
    assert traces.nobody_harm[-1] == found.nobody.harm
    assert traces.guard_harm[-1] == found.guard.harm


def test_twins_driven_before_are_taken_over() -> None:
    """A class drives them once."""
    ride = rescued()
    twins = twins_of(ride.facts)
    given, own = debrief(ride, twins), debrief(ride)
    assert (given.guard, given.nobody, given.signs) == (own.guard, own.nobody, own.signs)
    assert given.guard is not own.guard


def test_a_ride_ended_early_is_debriefed_as_far_as_it_came() -> None:
    """Everybody else drives no farther."""
    found = debrief(driven(Ride(pull(STOP), 1), 1.0))
    assert found.lasted_s == pytest.approx(1.0)
    assert len(found.traces.nobody_harm) == 100
