"""What check promises of a fault's handling, against a guard that is fed by hand."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from math import exp, hypot, inf, sqrt

import pytest

from rules.channels import CHANNEL_NAMES, DELIVERED, LINE, Sample
from rules.facts import Action, Rig
from rules.guard import Guard
from rules.handling import (
    frozen_s,
    handled,
    least_clog_share,
    least_due_ml_min,
    least_found_share,
    not_seen,
    slowest_period_s,
)
from rules.petrol import injector_duty_pct, petrol_kg_s, pull_from_rpm
from rules.step import state as st
from rules.step.from_rig import constants_of, essential_columns, witness_column
from rules.step.hydraulics import full_flow_ml_min, line_due_kpa
from rules.step.learning import forget
from simulator.rig import load_rig, shipped_rigs

SHIPPED = {name: load_rig(path).rig for name, path in shipped_rigs().items()}
RIGS = {name: rig for name, rig in SHIPPED.items() if witness_column(rig) == DELIVERED}
BY_LINE = {name: rig for name, rig in SHIPPED.items() if witness_column(rig) == LINE}
PERIOD_S = 0.01
OFF = 0.9  # of a tolerance: nineteen of twenty cars are off by less


def bare(rig: Rig) -> Rig:
    """Return a rig with the channels it is blind without, and no others."""
    names = {CHANNEL_NAMES[column - 1] for column in essential_columns(rig)}
    return replace(rig, channels=tuple(one for one in rig.channels if one.name in names))


def readings(
    flow_share: Callable[[float], float], delay_s: float, lag_s: float, period_s: float
) -> Iterator[float]:
    """Yield a flow meter's reading at each row after time 0, as a share, by steps of 0.2 ms."""
    step_s, reading, at_s = 2e-4, 1.0, 0.0
    kept = exp(-step_s / lag_s)
    while True:
        for _ in range(round(period_s / step_s)):
            at_s += step_s
            share = flow_share(at_s - delay_s)
            reading = share + (reading - share) * kept
        yield reading


def pulled_s(rig: Rig, due_pct: float, shares: Iterator[float], period_s: float) -> float:
    """Return when a guard pulls timing for a lack of spray; the fault comes just after a row."""
    guard = Guard(rig)
    top_kpa = rig.paid.boost_kpa[-1]
    due = 0.0
    for i in range(-round(3.0 / period_s), round(9.0 / period_s)):
        # No two rows alike, so that nothing counts as frozen.
        wobble = 1.0 + 1e-4 * (i % 3)
        share = next(shares) if i > 0 else 1.0
        row = {
            "boost_kpa": top_kpa * wobble,
            "injector_duty_pct": due_pct * wobble,
            "delivered_ml_min": due * share * wobble,
        }
        decision = guard.step(Sample(i * period_s, **row))
        due = decision.expected_ml_min if i <= 0 else due
        if i <= 0:
            assert decision.action < Action.PULL_TIMING
            # A guard that knows no more of the car than its rig says, as is reckoned with.
            state = st.State.of_flat(guard.state())
            forget(guard.constants, state)
            guard.restore(state.flat())
        elif decision.level[st.UNDER_DELIVERY] >= Action.PULL_TIMING:
            return i * period_s
    return inf


@pytest.mark.parametrize("period_s", [0.01, 0.05, 0.1])
@pytest.mark.parametrize("missing", [1.0, 0.5, 0.25])
@pytest.mark.parametrize("name", RIGS)
def test_a_guard_in_a_worse_car_is_as_quick_as_was_reckoned(
    name: str, missing: float, period_s: float
) -> None:
    """One error alone leads to no later an action than promised; both together to a later one."""
    rig = bare(RIGS[name])
    top_kpa = rig.paid.boost_kpa[-1]
    from_rpm = pull_from_rpm(rig)
    due_pct = injector_duty_pct(rig, petrol_kg_s(rig, top_kpa, from_rpm), from_rpm)
    due = least_due_ml_min(rig, top_kpa)
    full = full_flow_ml_min(constants_of(rig), top_kpa)
    falls_s = rig.spray.pump.run_down_s * full / due if missing == 1.0 else 1e-9

    def flow_share(since_s: float) -> float:
        return 1.0 - missing * min(max(since_s / falls_s, 0.0), 1.0)

    sensor = rig.flow_sensor

    def worse(late: float, high: float) -> float:
        delay_s = sensor.delay_s + late * OFF * sensor.delay_within_s
        shares = readings(flow_share, delay_s, sensor.lag_s, period_s)
        reads = (share * (1.0 + high) if share < 1.0 else 1.0 for share in shares)
        return pulled_s(rig, due_pct, reads, period_s) + rig.fault_intervals.reaction_s

    promised_s = handled(rig, top_kpa, due, missing, period_s).pull_s
    off = OFF * sensor.gain_within
    alone_s = max(worse(1.0, 0.0), worse(0.0, off))
    assert alone_s <= promised_s + 1e-9
    # Noise averages out over the time it is looked at. Beyond that only what a coarse meter adds,
    # and rows that are looked at less closely.
    lasts_s = 2.0 * sensor.noise_lasts_s
    noise = 1.645 * sensor.noise * sqrt(lasts_s / (lasts_s + worse(0.0, 0.0)))
    assert promised_s <= 1.1 * worse(1.0, hypot(off, noise)) + 0.06 + period_s


@pytest.mark.parametrize("name", RIGS)
def test_rows_as_slow_as_allowed_pull_nothing_and_slower_ones_do(name: str) -> None:
    """Spray off from one row to the next, unseen: only rows farther apart than said pull timing.

    Rows half a second apart are as slow as is looked at.
    """
    rig = bare(RIGS[name])
    top_kpa = rig.paid.boost_kpa[-1]
    slowest_s = slowest_period_s(rig, top_kpa)

    def pulls(period_s: float) -> bool:
        period_s = round(period_s, 3)

        def dip(phase: float) -> Iterator[float]:
            def flow_share(since_s: float) -> float:
                return 0.0 if 0.0 < since_s - phase * period_s <= period_s else 1.0

            return readings(flow_share, rig.flow_sensor.delay_s, rig.flow_sensor.lag_s, period_s)

        return any(pulled_s(rig, 100.0, dip(i / 8.0), period_s) < inf for i in range(8))

    assert not pulls(0.93 * slowest_s)
    assert slowest_s > 0.49 or pulls(1.15 * slowest_s)


@pytest.mark.parametrize("name", RIGS)
def test_a_smaller_share_than_is_said_is_not_found_and_a_larger_one_is(name: str) -> None:
    """At the least share that is found, evidence begins to grow: below it stays nil for good."""
    rig = bare(RIGS[name])
    share = least_found_share(constants_of(rig))
    assert rig.flow_sensor.gain_within < share < 0.2
    top_kpa = rig.paid.boost_kpa[-1]
    due = least_due_ml_min(rig, top_kpa)
    promised = [
        handled(rig, top_kpa, due, missing, PERIOD_S).pull_s
        for missing in (share - 0.01, share + 0.25)
    ]
    assert promised[0] == inf
    assert promised[1] < inf


@pytest.mark.parametrize("missing", [1.0, 0.5])
@pytest.mark.parametrize("name", RIGS)
def test_a_held_reading_is_as_late_as_was_reckoned(name: str, missing: float) -> None:
    """A sensor that gives a new reading every 0.2 s, whenever the fault falls between two."""
    rig = bare(RIGS[name])
    rig = replace(rig, flow_sensor=replace(rig.flow_sensor, refresh_s=0.2))
    sensor, top_kpa = rig.flow_sensor, rig.paid.boost_kpa[-1]
    from_rpm = pull_from_rpm(rig)
    due_pct = injector_duty_pct(rig, petrol_kg_s(rig, top_kpa, from_rpm), from_rpm)
    due = least_due_ml_min(rig, top_kpa)
    full = full_flow_ml_min(constants_of(rig), top_kpa)
    falls_s = rig.spray.pump.run_down_s * full / due if missing == 1.0 else 1e-9

    def held(phase: int) -> Iterator[float]:
        reading = 1.0
        reads = readings(
            lambda since_s: 1.0 - missing * min(max(since_s / falls_s, 0.0), 1.0),
            sensor.delay_s,
            sensor.lag_s,
            PERIOD_S,
        )
        for i, now in enumerate(reads):
            reading = now if (i + phase) % 20 == 0 else reading
            yield reading

    late_s = max(pulled_s(rig, due_pct, held(phase), PERIOD_S) for phase in range(0, 20, 3))
    promised_s = handled(rig, top_kpa, due, missing, PERIOD_S).pull_s
    assert late_s + rig.fault_intervals.reaction_s <= promised_s < late_s + 0.5


def pressed(rig: Rig, kpa_at: Callable[[float], float], high: float, period_s: float) -> float:
    """Return when a guard with line pressure alone pulls timing; the fault comes at time 0."""
    guard = Guard(rig)
    k = guard.constants
    top_kpa = rig.paid.boost_kpa[-1]
    full = full_flow_ml_min(k, top_kpa)
    reading = due_kpa = line_due_kpa(k, top_kpa, full, full)
    kept = exp(-2e-4 / rig.line_sensor.lag_s)
    for i in range(-round(1.0 / period_s), round(9.0 / period_s)):
        wobble = 1.0 + 1e-4 * (i % 3)
        for step in range(round(period_s / 2e-4) if i > 0 else 0):
            kpa = kpa_at((i - 1) * period_s + 2e-4 * (step + 1)) * due_kpa
            reading = kpa + (reading - kpa) * kept
        shown = reading * (1.0 + high if i > 0 else 1.0) * wobble
        row = {"boost_kpa": top_kpa * wobble, "line_kpa": shown}
        decision = guard.step(Sample(i * period_s, **row))
        if i <= 0:
            state = st.State.of_flat(guard.state())
            forget(guard.constants, state)
            guard.restore(state.flat())
        elif decision.level[st.UNDER_DELIVERY] >= Action.PULL_TIMING:
            return i * period_s
    return inf


@pytest.mark.parametrize("period_s", [0.01, 0.05])
@pytest.mark.parametrize("missing", [0.75, 0.5])
@pytest.mark.parametrize("name", BY_LINE)
def test_a_clog_is_told_by_line_pressure_as_soon_as_was_reckoned(
    name: str, missing: float, period_s: float
) -> None:
    """A line that fills up, and reads low: the promise for a weak pump does not hold there."""
    rig = bare(BY_LINE[name])
    k = constants_of(rig)
    top_kpa = rig.paid.boost_kpa[-1]
    full = full_flow_ml_min(k, top_kpa)
    due_kpa = line_due_kpa(k, top_kpa, full, full)
    above = missing * (k.shut_off_kpa / due_kpa - 1.0)
    # At first the hose takes in what the nozzles no longer pass; a stopped pump's nozzles, fed by
    # the hose alone, fall from full flow to nil in the run-down.
    takes_in = 0.5 * rig.spray.pump.run_down_s * full / (due_kpa - top_kpa - k.check_valve_kpa)
    fills_s = takes_in * (k.shut_off_kpa - due_kpa) / full

    def kpa_at(since_s: float) -> float:
        return 1.0 + above * (1.0 - exp(-max(since_s, 0.0) / fills_s))

    promised_s = handled(rig, top_kpa, full, missing, period_s, clog=True).pull_s
    assert promised_s > handled(rig, top_kpa, full, missing, period_s).pull_s
    off = OFF * rig.line_sensor.gain_within
    took_s, worse_s = (pressed(rig, kpa_at, -low, period_s) for low in (0.0, off))
    assert max(took_s, worse_s) + rig.fault_intervals.reaction_s <= promised_s + 1e-9
    lasts_s = 2.0 * rig.line_sensor.noise_lasts_s
    noise = 1.645 * rig.line_sensor.noise * sqrt(lasts_s / (lasts_s + took_s))
    worst_s = pressed(rig, kpa_at, -hypot(off, noise), period_s)
    assert promised_s <= 1.1 * worst_s + 0.09 + period_s


@pytest.mark.parametrize("period_s", [0.01, 0.05])
@pytest.mark.parametrize("name", ["brindle", "orrinby"])
def test_a_witness_that_freezes_is_lost_as_soon_as_was_reckoned(name: str, period_s: float) -> None:
    """And no sooner than a row before; where blindness only warns, never."""
    rig = bare(SHIPPED[name])
    guard = Guard(rig)
    k = guard.constants
    top_kpa = rig.paid.boost_kpa[-1]
    full = full_flow_ml_min(k, top_kpa)
    due = {"delivered_ml_min": full, "line_kpa": line_due_kpa(k, top_kpa, full, full)}
    took_s = 0.0
    for i in range(-round(2.0 / period_s), round(3.0 / period_s)):
        row = {"boost_kpa": top_kpa * (1.0 + 1e-4 * (i % 3))}
        wobble = 1.0 + 1e-4 * (min(i, 0) % 3)
        row |= {one.name: due[one.name] * wobble for one in rig.channels if one.name in due}
        decision = guard.step(Sample(i * period_s, **row))
        if decision.level[st.SIGNAL_LOST] >= Action.PULL_TIMING:
            took_s = i * period_s + rig.fault_intervals.reaction_s
            break
    promised_s = frozen_s(rig, period_s)
    assert promised_s - 2.0 * period_s < took_s <= promised_s + 1e-9
    warns = replace(rig, ladder=replace(rig.ladder, on_blind=Action.WARN))
    assert frozen_s(warns, period_s) == inf


@pytest.mark.parametrize("period_s", [0.01, 0.05])
@pytest.mark.parametrize("missing", [1.0, 0.5, 0.25])
@pytest.mark.parametrize("name", BY_LINE)
def test_a_guard_with_line_pressure_alone_is_as_quick_as_was_reckoned(
    name: str, missing: float, period_s: float
) -> None:
    """A weak pump, or one that stops: the nozzles' flow goes with the root of the pressure."""
    rig = bare(BY_LINE[name])
    k = constants_of(rig)
    top_kpa = rig.paid.boost_kpa[-1]
    full = full_flow_ml_min(k, top_kpa)
    due_kpa = line_due_kpa(k, top_kpa, full, full)
    back = (top_kpa + k.check_valve_kpa) / due_kpa
    falls_s = rig.spray.pump.run_down_s if missing == 1.0 else 1e-9

    def kpa_at(since_s: float) -> float:
        share = 1.0 - missing * min(max(since_s / falls_s, 0.0), 1.0)
        return back + share * share * (1.0 - back)

    promised_s = handled(rig, top_kpa, full, missing, period_s).pull_s
    off = OFF * rig.line_sensor.gain_within
    for high in (0.0, off):
        took_s = pressed(rig, kpa_at, high, period_s) + rig.fault_intervals.reaction_s
        assert took_s <= promised_s + 1e-9
    lasts_s = 2.0 * rig.line_sensor.noise_lasts_s
    noise = 1.645 * rig.line_sensor.noise * sqrt(lasts_s / (lasts_s + took_s))
    worst_s = pressed(rig, kpa_at, hypot(off, noise), period_s)
    assert promised_s <= 1.1 * worst_s + 0.09 + period_s


def _held(share: float, since_s: float) -> float:
    return share


@pytest.mark.parametrize("name", BY_LINE)
def test_what_line_pressure_does_not_show_is_said(name: str) -> None:
    """The least that is found, low and high; with less than 40 % commanded never anything."""
    rig = bare(BY_LINE[name])
    k = constants_of(rig)
    top_kpa = rig.paid.boost_kpa[-1]
    full = full_flow_ml_min(k, top_kpa)
    due_kpa = line_due_kpa(k, top_kpa, full, full)
    back_kpa = top_kpa + k.check_valve_kpa
    for less, found in ((-0.01, False), (0.02, True)):
        left = 1.0 - (least_found_share(k) + less)
        low = (back_kpa + left * left * (due_kpa - back_kpa)) / due_kpa
        high = 1.0 + (least_clog_share(k) + less) * (k.shut_off_kpa / due_kpa - 1.0)
        for share in (low, high):
            assert (pressed(rig, partial(_held, share), 0.0, PERIOD_S) < inf) == found
    assert handled(rig, top_kpa, 0.39 * full, 1.0, PERIOD_S).pull_s == inf
    said = " ".join(not_seen(rig))
    assert "40 % of full flow" in said
    assert f"{100.0 * least_clog_share(k):.0f} % of full flow" in said
    within = k.line_gain_within
    for less, found in ((-0.01, False), (0.02, True)):
        taken = least_clog_share(k, within) + less
        high = 1.0 + taken * (k.shut_off_kpa / due_kpa - 1.0)
        assert (pressed(rig, partial(_held, high), -within, PERIOD_S) < inf) == found
    assert f"; less than {100.0 * least_clog_share(k, within):.0f} % where the line reads" in said
    held = replace(rig.spray.pump, regulated_kpa=due_kpa)
    regulated = replace(rig, spray=replace(rig.spray, pump=held))
    assert least_clog_share(constants_of(regulated)) == inf
    assert "the regulator holds" in " ".join(not_seen(regulated))
    assert not_seen(RIGS["brindle"]) == []
