"""Health of channels and of the clock, by plain examples."""

from math import inf

import pytest

from rules.channels import BOOST, CHANNELS, DELIVERED, KNOCK, NOT_SENT, Sample, tick
from rules.explain import status
from rules.facts import CommandKind
from rules.guard import Guard
from rules.step.evidence import CALM_NATS
from rules.step.state import (
    ABSENT,
    CLOCK_STEP,
    HEALTHY,
    IMPLAUSIBLE,
    NOT_A_NUMBER,
    STALE,
    UNDER_DELIVERY,
    Decision,
)
from tests.kit.decisions import altered
from tests.kit.rigs import ALL_CHANNELS, ESSENTIAL, NAN, Drive, first, healthy, of_kind, rig

NO_ACTION, WARN, PULL, CUT = range(4)


def test_a_fresh_guard_is_not_healthy() -> None:
    """Before anything is read: mapped channels are stale, the others absent, nothing is healthy."""
    decision = Guard(rig()).decision()
    for column, channel in enumerate(CHANNELS, 1):
        assert decision.health[column] == (STALE if channel.name in ESSENTIAL else ABSENT)
    assert decision.all_healthy == 0.0
    assert Guard(rig()).step(tick(5.0)).all_healthy == 0.0


def test_of_several_implausible_readings_the_essential_one_is_told_plainly() -> None:
    """Whatever else is off, why the monitor is blind is told, and in no power of ten."""
    guard = Guard(of_kind(CommandKind.LOG_FLOW))
    good = {c.name: (c.low + c.high) / 2.0 for c in CHANNELS}
    good |= {"line_kpa": 1000.0, "tank_switch": 0.0}  # as this rig's pump gives; enough
    guard.step(Sample(0.0, **good))
    off = {**good, "engine_speed_rpm": 50_000.0}
    guard.step(Sample(0.1, **off))
    for boost_kpa in (700.0, 710.0):
        decision = guard.step(Sample(0.2, **{**off, "boost_kpa": boost_kpa}))
        assert (decision.refused_column, decision.refused) == (BOOST, boost_kpa)
    guard.step(Sample(0.3, **off))
    decision = guard.step(Sample(0.35, **off))
    assert decision.refused == 50_000.0
    told = status(guard.rig, guard.step(Sample(0.4, **{**off, "delivered_ml_min": 50_000.0})))
    assert "reads 50000 mL/min, plausible from 0 mL/min to 6000 mL/min" in told


@pytest.mark.parametrize("column", range(1, len(CHANNELS) + 1))
def test_each_channel_in_each_state(column: int) -> None:
    """Every channel reads NaN and out of range at once, stale after its age, and heals."""
    channel = CHANNELS[column - 1]
    guard = Guard(of_kind(CommandKind.LOG_FLOW))
    good = {c.name: (c.low + c.high) / 2.0 for c in CHANNELS} | {"tank_switch": 1.0}

    def health(time_s: float, value: float) -> float:
        decision = guard.step(Sample(time_s, **{**good, channel.name: value}))
        others = {decision.health[c] for c in range(1, len(CHANNELS) + 1) if c != column}
        assert others == {HEALTHY}
        return decision.health[column]

    assert health(0.0, channel.low) == HEALTHY
    assert health(0.0, channel.high) == HEALTHY
    for bad in (channel.low - 1.0, channel.high + 1.0, inf):
        assert health(0.0, bad) == IMPLAUSIBLE
    assert health(0.0, NAN) == NOT_A_NUMBER
    assert health(0.0, NOT_SENT) == NOT_A_NUMBER  # the last word on it was no number
    assert health(0.0, channel.low) == HEALTHY
    assert health(channel.max_age_s, NOT_SENT) == HEALTHY  # no older than it may be
    assert health(channel.max_age_s + 0.1, NOT_SENT) == STALE
    assert health(channel.max_age_s + 0.1, channel.high) == HEALTHY


def test_last_good_value_serves_until_it_is_too_old() -> None:
    """One bad reading is not blindness: the value before it stands in for max_age, no longer."""
    drive = healthy(rig())
    decisions = drive.run(0.5, delivered_ml_min=NAN)
    usable = [d.delivered_ml_min == d.delivered_ml_min for d in decisions]
    assert usable.index(False) * 0.01 == pytest.approx(0.3, abs=0.011)
    assert {d.all_healthy for d in decisions} == {0.0}
    assert drive.run(0.01)[-1].all_healthy == 1.0


def test_a_gap_in_the_readings_counts_once_the_next_has_come() -> None:
    """The last good value serves meanwhile but accuses nobody; then all of the time counts."""
    drive = healthy(rig())
    before = drive.run(0.2, share=0.0)[-1]
    patchy = drive.run(0.2, delivered_ml_min=NAN)[-1]
    assert (patchy.debt_ml, patchy.evidence) == (before.debt_ml, before.evidence)
    assert patchy.all_healthy == 0.0
    after = drive.run(0.01, share=0.0)[-1]
    assert after.debt_ml - before.debt_ml == pytest.approx(0.21 * 500.0 / 60.0, rel=1e-3)


def test_a_silence_while_spray_begins_accuses_nobody() -> None:
    """The flow still read nil when the line fell silent; what it reads afterwards counts."""
    drive = Drive(rig())
    drive.run(1.0, commanded_ml_min=0.0, delivered_ml_min=0.0)
    drive.run(0.1, delivered_ml_min=0.0)
    silent = drive.run(0.2, delivered_ml_min=NOT_SENT)
    assert max(d.expected_ml_min for d in silent) > 300.0
    assert max(d.evidence for d in silent) <= CALM_NATS
    assert max(d.evidence for d in drive.run(0.5)) <= CALM_NATS


def test_a_step_of_the_clock_while_spray_begins_accuses_nobody() -> None:
    """How much time has passed is not known: the flow may not have followed yet."""
    drive = Drive(rig())
    drive.run(1.0, commanded_ml_min=0.0, delivered_ml_min=0.0)
    drive.run(0.05, delivered_ml_min=0.0)
    drive.time_s += 100.0
    stepped = drive.run(0.02, delivered_ml_min=0.0)
    assert stepped[0].most_ml_min > 100.0
    assert stepped[0].least_ml_min == 0.0
    assert max(d.evidence for d in stepped) <= CALM_NATS


def sample(time_s: float) -> Sample:
    """Return a healthy sample in boost."""
    return Sample(time_s, boost_kpa=150.0, commanded_ml_min=500.0, delivered_ml_min=500.0)


@pytest.mark.parametrize("time_s", [NAN, inf, -inf])
def test_a_time_that_is_not_finite_is_never_used(time_s: float) -> None:
    """A sample without a proper time is late: nothing of it is taken in."""
    drive = healthy(rig())
    before = drive.last
    bad = drive.guard.step(sample(time_s)._replace(delivered_ml_min=0.0))
    assert bad.late == 1.0
    assert repr(altered(bad, late=0.0, changed=before.changed)) == repr(before)  # NaN is in it
    assert Guard(rig()).step(sample(time_s)).all_healthy == 0.0


def test_a_late_sample_does_not_overwrite_newer_ones() -> None:
    """Up to a second old is late and dropped; what it says changes nothing."""
    drive = healthy(rig())
    late = drive.guard.step(sample(drive.time_s - 1.0)._replace(delivered_ml_min=0.0))
    assert (late.late, late.time_s) == (1.0, drive.last.time_s)
    assert late.value[DELIVERED] > 490.0
    assert drive.guard.step(sample(drive.time_s)).late == 0.0


@pytest.mark.parametrize("jump_s", [-2.0, -1e9, 20.0, 1e9])
def test_a_clock_step_warns_and_is_doubted(jump_s: float) -> None:
    """A step back or far ahead: a warning, not healthy for 5 s, then no action, no evidence."""
    drive = healthy(rig())
    drive.time_s += jump_s
    decisions = drive.run(8.0)
    doubted = [d.all_healthy == 0.0 for d in decisions]
    assert decisions[0].action == WARN
    assert decisions[0].level[CLOCK_STEP] == WARN
    assert doubted.index(False) * 0.01 == pytest.approx(5.0, abs=0.021)
    assert decisions[-1].action == NO_ACTION
    assert max(d.action for d in decisions) == WARN
    assert max(d.evidence for d in decisions) < CALM_NATS


@pytest.mark.parametrize("time_s", [1e17, 1e300, -1e300])
def test_one_garbled_time_does_not_disarm(time_s: float) -> None:
    """After one sample with an absurd time the guard still follows the command and still acts."""
    drive = Drive(rig())
    drive.run(2.0, commanded_ml_min=0.0)
    drive.guard.step(sample(time_s)._replace(commanded_ml_min=0.0))
    drive.run(10.0, commanded_ml_min=0.0)
    decisions = drive.run(1.5, share=0.0)
    assert decisions[-1].expected_ml_min == pytest.approx(500.0, rel=0.01)
    assert first(decisions, PULL) * 0.01 < 0.4


def test_gap_up_to_ten_seconds_is_no_clock_step() -> None:
    """Ten seconds of silence are a gap: stale at once, but the clock is not doubted."""
    drive = healthy(rig())
    stale = drive.guard.step(tick(drive.last.time_s + 10.0))
    assert stale.level[CLOCK_STEP] == NO_ACTION
    assert stale.health[BOOST] == STALE
    assert stale.all_healthy == 0.0


def test_a_clock_that_steps_ahead_runs_out_no_delay() -> None:
    """A healthy pull whose clock jumps by an hour is told of the clock, and nothing is done."""
    drive = healthy(rig())
    later = [drive.guard.step(sample(drive.last.time_s + 3600.0 + 0.01 * i)) for i in range(100)]
    assert later[0].level[CLOCK_STEP] >= 1.0
    assert {d.retard_deg for d in later} == {0.0}
    assert max(d.level[UNDER_DELIVERY] for d in later) == NO_ACTION
    assert max(d.evidence for d in later) < CALM_NATS


def test_a_long_step_counts_half_a_second_of_debt() -> None:
    """After a gap nobody knows what was delivered: the debt takes in half a second, no more."""
    drive = healthy(rig())
    short = drive.guard.step(sample(drive.last.time_s + 8.0)._replace(delivered_ml_min=0.0))
    assert short.debt_ml == pytest.approx(500.0 * 0.5 / 60.0, rel=1e-3)
    assert short.peak_debt_ml == short.debt_ml


def test_all_optional_channels_may_be_missing() -> None:
    """A rig with nothing but the essential channels judges; unmapped ones stay absent."""
    drive = Drive(rig())
    decision: Decision = drive.run(2.0, **dict.fromkeys(set(ALL_CHANNELS) - {*ESSENTIAL}, NAN))[-1]
    assert (decision.action, decision.all_healthy) == (NO_ACTION, 1.0)
    assert decision.health[KNOCK] == ABSENT
