"""Evidence of the other sign: over-delivery, and flow that nobody asked for."""

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from rules.channels import NOT_SENT, Sample
from rules.facts import Action, Rig
from rules.guard import Guard
from rules.step.constants import Constants
from rules.step.evidence import MOST_EVIDENCE
from rules.step.from_rig import constants_of
from rules.step.state import (
    N_SIZES,
    OVER_DELIVERY,
    SURPLUS_ACCOUNTS,
    UNASKED_FLOW,
    Decision,
    State,
)
from rules.step.step import fresh_state
from rules.step.surplus import weigh_surplus
from simulator.rig import find_rig, load_rig
from tests.kit.entries import correlated
from tests.kit.rigs import ESSENTIAL, Drive, healthy, rig

IDLE = {"boost_kpa": 0.0, "commanded_ml_min": 0.0}


def worst(decisions: list[Decision], finding: int) -> float:
    """Return a finding's highest level."""
    return max(d.level[finding] for d in decisions)


def known(most_ml_min: float, noise: float, kept: float, dt_s: float) -> tuple[Constants, State]:
    """Return constants and a state in which this much may flow at most."""
    k = constants_of(rig())
    k.limit_nats = 1e9
    s = fresh_state(k)
    s.most_ml_min = most_ml_min
    s.noise_sq = noise**2
    s.noise_lasts_s = dt_s * kept / (1.0 - kept)
    return k, s


@settings(max_examples=200)
@given(
    most_ml_min=st.floats(10.0, 900.0),
    read=st.floats(0.0, 2000.0),
    before=st.floats(0.0, 1.0),
    noise=st.floats(0.02, 0.16),
    kept=st.floats(0.0, 0.95),
    dt_s=st.floats(0.005, 0.5),
)
def test_a_ratio_is_that_of_two_normal_densities(
    most_ml_min: float, read: float, before: float, noise: float, kept: float, dt_s: float
) -> None:
    """Each sum moves by scipy's log-likelihood ratio of its size too much against just the most."""
    k, s = known(most_ml_min, noise, kept, dt_s)
    s.surplus, s.surplus_residual, s.excess_ml = 500.0, before, 2.0
    s.account[SURPLUS_ACCOUNTS:] = [500.0] * N_SIZES
    weigh_surplus(k, s, read, dt_s)
    full = k.full_ml_min
    new = (read - most_ml_min) / full - kept * before
    floor_sq = s.floor_sq * (1.0 + kept**2)  # of two readings in a row, each with its own
    sd = sqrt(noise**2 * (1.0 - kept**2) * most_ml_min**2 + floor_sq) / full
    too_much = [norm.logpdf(new, size * (1.0 - kept), sd) for size in k.size]
    wanted = [max(0.0, 500.0 + float(much - norm.logpdf(new, 0.0, sd))) for much in too_much]
    if max(wanted) > 0.0:  # else all are closed
        assert s.account[SURPLUS_ACCOUNTS:] == pytest.approx(wanted, rel=1e-6, abs=1e-6)
    assert s.surplus == pytest.approx(max(wanted), rel=1e-6, abs=1e-6)
    excess_ml = max(0.0, 2.0 + (read - most_ml_min) * dt_s / 60.0) if s.surplus else 0.0
    assert s.excess_ml == pytest.approx(excess_ml, abs=1e-9)


def test_forty_per_cent_too_much_pulls() -> None:
    """From what any car may read on it is added up; beyond the rig's volume timing is pulled."""
    drive = healthy(rig(watch={"logger_stuck_after_s": 1e9}))
    most_ml_min = drive.last.most_ml_min
    decisions = drive.run(3.0, share=1.4)
    pulled = next(i for i, d in enumerate(decisions) if d.level[OVER_DELIVERY] > 0.0)
    assert decisions[pulled].action == Action.PULL_TIMING
    assert decisions[pulled].excess_ml >= 3.0
    assert 0.01 * pulled == pytest.approx(3.0 / (700.0 - most_ml_min) * 60.0, rel=0.05)
    assert decisions[pulled].surplus >= drive.guard.constants.limit_nats


@pytest.mark.parametrize("gain", [1.0, 1.04, 1.079])
def test_what_a_healthy_car_may_read_is_no_surplus(gain: float) -> None:
    """A minute at the upper end of the gain's tolerance, with the rig's own noise: nothing."""
    drive = Drive(rig(watch={"logger_stuck_after_s": 1e9}))
    drive.run(1.0)
    noise = 0.04 * correlated(6000, 0.8, 4)
    decisions = [
        d for draw in noise.tolist() for d in drive.run(0.01, share=gain * (1.0 + float(draw)))
    ]
    assert worst(decisions, OVER_DELIVERY) == worst(decisions, UNASKED_FLOW) == 0.0
    assert max(d.excess_ml for d in decisions) < 1.0


def test_the_volume_acts_and_not_the_evidence_alone() -> None:
    """Sure of a surplus after some rows, the guard still waits for the volume that does harm."""
    drive = healthy(rig(watch={"over_ml": 10.0, "logger_stuck_after_s": 1e9}))
    decisions = drive.run(2.0, share=1.4)
    assert decisions[-1].surplus >= drive.guard.constants.limit_nats
    assert worst(decisions, OVER_DELIVERY) == 0.0
    assert 3.0 < decisions[-1].excess_ml < 10.0
    # Back to what is due the evidence falls, and with it the volume is forgotten.
    calm = drive.run(3.0)
    assert (calm[-1].surplus, calm[-1].excess_ml) == (0.0, 0.0)


def brindle() -> Rig:
    """Return the shipped rig with the channels that a siphon needs."""
    whole = load_rig(find_rig("brindle")).rig
    return replace(whole, channels=tuple(t for t in whole.channels if t.name in ESSENTIAL))


def siphon(flow_ml_min: float, for_s: float) -> list[Decision]:
    """Return the decisions of a brindle that idles for 3 s, then siphons for so long."""
    guard = Guard(brindle())
    decisions = []
    for i in range(round((3.0 + for_s) * 100.0)):
        flows = flow_ml_min if i >= 300 else 0.0
        wobble = 0.5 * (i % 5)
        row = {"boost_kpa": -30.0 + wobble, "commanded_ml_min": 0.0, "delivered_ml_min": flows}
        decisions.append(guard.step(Sample(0.01 * i, **row)))
    return decisions


def test_a_siphon_is_found_with_boost_off() -> None:
    """120 mL/min for 1.4 s on brindle: a warning within half a second, with the volume."""
    decisions = siphon(120.0, 1.4)
    found = next(i for i, d in enumerate(decisions) if d.level[UNASKED_FLOW] > 0.0)
    assert 3.0 <= 0.01 * found < 3.5
    assert decisions[found].action == Action.WARN
    assert decisions[-1].level[UNASKED_FLOW] == Action.WARN
    floor_ml_min = brindle().flow_sensor.floor_ml_min
    assert decisions[-1].excess_ml == pytest.approx((120.0 - floor_ml_min) * 1.4 / 60.0, rel=0.02)


def test_what_is_not_told_from_no_flow_is_no_siphon() -> None:
    """A sensor that reads its floor, or noise up to it, for a minute says nothing."""
    floor_ml_min = brindle().flow_sensor.floor_ml_min
    assert worst(siphon(floor_ml_min, 60.0), UNASKED_FLOW) == 0.0
    rng = np.random.default_rng(1)
    drive = Drive(rig(watch={"logger_stuck_after_s": 1e9}))
    seen = []
    for draw in rng.normal(0.0, 0.25 * 10.0, 6000).tolist():  # its floor is four deviations
        seen += drive.run(0.01, delivered_ml_min=max(draw, 0.0), **IDLE)
    assert worst(seen, UNASKED_FLOW) == 0.0


def test_spray_still_on_its_way_is_not_unasked_for() -> None:
    """Flow that trails behind a command that has ended is that command's, to its run-down."""
    drive = healthy(rig(watch={"logger_stuck_after_s": 1e9}))
    decisions = []
    for i in range(300):
        trails = 500.0 if i < 12 else 500.0 * 2.0 ** (-(i - 12) / 15.0)
        decisions += drive.run(0.01, **IDLE, delivered_ml_min=trails)
    assert worst(decisions, UNASKED_FLOW) == worst(decisions, OVER_DELIVERY) == 0.0


def test_a_surplus_ends_with_the_flow_and_is_closed_by_a_release() -> None:
    """A warning clears by itself; a pull at release, with its volume."""
    drive = Drive(rig(watch={"logger_stuck_after_s": 1e9}))
    drive.run(1.0, **IDLE)
    assert worst(drive.run(0.5, delivered_ml_min=150.0, **IDLE), UNASKED_FLOW) == Action.WARN
    assert drive.run(3.0, delivered_ml_min=0.0, **IDLE)[-1].action == Action.NO_ACTION
    assert (drive.last.surplus, drive.last.excess_ml) == (0.0, 0.0)
    drive.run(2.0)
    much = drive.run(3.0, share=1.4)
    assert worst(much, OVER_DELIVERY) == Action.PULL_TIMING
    # More than a little over the limit would only outlast the flow.
    most = max(d.surplus for d in much)
    assert most == pytest.approx(MOST_EVIDENCE * drive.guard.constants.limit_nats)
    idle = drive.run(6.0, delivered_ml_min=0.0, **IDLE)
    assert idle[-1].action == Action.NO_ACTION
    assert (idle[-1].surplus, idle[-1].excess_ml) == (0.0, 0.0)
    assert worst(drive.run(5.0), OVER_DELIVERY) == 0.0


def test_a_surplus_stands_still_while_flow_is_lost() -> None:
    """What can't be seen neither adds to it nor ends it."""
    drive = healthy(rig(ladder={"on_blind": Action.WARN}, watch={"logger_stuck_after_s": 1e9}))
    drive.run(0.5, share=1.4)
    blind = drive.run(3.0, delivered_ml_min=NOT_SENT)[40:]
    assert len({(d.surplus, d.excess_ml) for d in blind}) == 1
    assert blind[-1].surplus > 0.0


@settings(max_examples=30)
@given(at=st.integers(0, 59), commanded=st.sampled_from([0.0, 100.0, 500.0]))
def test_one_reading_far_too_high_acts_on_nothing(at: int, commanded: float) -> None:
    """A single spike to twice the full flow is no surplus, with spray or without."""
    drive = Drive(rig(watch={"logger_stuck_after_s": 1e9}))
    drive.run(1.0, commanded_ml_min=commanded)
    for i in range(60):
        spike = {"delivered_ml_min": 1700.0} if i == at else {}
        drive.run(0.01, commanded_ml_min=commanded, **spike)
        assert drive.last.action == Action.NO_ACTION
