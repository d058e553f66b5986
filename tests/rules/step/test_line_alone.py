"""A car without a flow sensor: its line's pressure is the witness, for debt and cut as well."""

from collections.abc import Callable
from dataclasses import replace
from math import exp, inf, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.channels import BOOST, COMMANDED, DELIVERED, LINE, NOT_SENT, ROW_WIDTH, Sample
from rules.facts import Action, LineSensor, Rig
from rules.findings import FINDINGS, why_impossible
from rules.guard import Guard
from rules.step.from_rig import constants_of, essential_columns, limit_nats, witness_column
from rules.step.hydraulics import full_flow_ml_min, line_due_kpa
from rules.step.line import FILLS_S, LEAST_COMMAND, line_missing_now
from rules.step.state import (
    N_SIZES,
    OVER_DELIVERY,
    RIG_DOUBTED,
    SIGNAL_LOST,
    UNASKED_FLOW,
    UNDER_DELIVERY,
    Decision,
    State,
)
from rules.step.step import fresh_state
from tests.kit.entries import Floats, correlated
from tests.kit.rigs import NAN, Drive, first, rig, terms

CHANNELS = ("boost_kpa", "commanded_ml_min", "line_kpa")
# A pump without a regulator: the less flows, the higher its pressure.
ON_ITS_CURVE = {"regulated_kpa": inf, "shut_off_kpa": 1600.0, "free_flow_ml_min": 1500.0}


def facts(**changes: Any) -> Rig:
    """Return the test rig with line pressure in its log, and no flow."""
    pump = changes.pop("pump", {})
    made = rig(channels=changes.pop("channels", terms(*CHANNELS)), **changes)
    return rig_with_pump(made, pump) if pump else made


def rig_with_pump(made: Rig, pump: dict[str, Any]) -> Rig:
    """Return a rig with another pump."""
    spray = replace(made.spray, pump=replace(made.spray.pump, **pump))
    return replace(made, spray=spray)


def due_kpa(by: Rig, commanded_ml_min: float = 500.0) -> float:
    """Return the line pressure due at 150 kPa of boost."""
    k = constants_of(by)
    full = full_flow_ml_min(k, 150.0)
    return line_due_kpa(k, 150.0, commanded_ml_min, full)


def rippling(for_s: float, seed: int = 1) -> Floats:
    """Return ripple of the size the rig states, row by row, around 1."""
    noise = LineSensor().noise * correlated(round(for_s / 0.01), 0.02 / 0.03, seed)
    return np.asarray(1.0 + noise)


def sprayed(drive: Drive, for_s: float, share: float = 1.0, seed: int = 1) -> list[Decision]:
    """Feed steady spray in its ripple, at a share of the pressure that is due."""
    pressures = (due_kpa(drive.guard.rig) * share * rippling(for_s, seed)).tolist()
    return [d for kpa in pressures for d in drive.run(0.01, line_kpa=kpa)]


def test_the_best_channel_there_is_tells_whether_spray_arrives() -> None:
    """Flow where it is mapped, else the line's pressure: without it the monitor is blind."""
    assert witness_column(rig()) == DELIVERED
    assert witness_column(rig(channels=terms(*CHANNELS, "delivered_ml_min"))) == DELIVERED
    assert witness_column(facts()) == LINE
    assert essential_columns(facts())[:2] == (BOOST, LINE)
    nothing = rig(channels=terms("boost_kpa", "commanded_ml_min"))
    assert witness_column(nothing) == 0
    with pytest.raises(ValueError, match="delivered_ml_min is essential but not mapped"):
        constants_of(nothing)


def test_the_limit_follows_from_the_channels_there_are() -> None:
    """Flow has a sum for each size, line pressure two, for either side, and its noise lasts."""
    assert np.exp(limit_nats(facts())) == pytest.approx(2 * N_SIZES * 100 * 3600 / (2 * 0.02))
    both = rig(channels=terms(*CHANNELS, "delivered_ml_min"))
    assert limit_nats(both) - limit_nats(rig()) == pytest.approx(np.log(3.0))


@pytest.mark.parametrize("seed", range(4))
def test_a_pump_that_stops_is_pulled_for_at_once_and_cut_by_the_debt(seed: int) -> None:
    """Within 70 ms; the debt is what the nozzles no longer pass, and cuts where it is too much."""
    drive = Drive(facts())
    assert {d.action for d in sprayed(drive, 10.0, seed=seed)} == {Action.NO_ACTION}
    back_kpa = 150.0 + drive.guard.constants.check_valve_kpa
    due = due_kpa(drive.guard.rig)
    decisions, missing_ml = [], 0.0
    for i in range(100):
        kpa = back_kpa + (due - back_kpa) * exp(-0.01 * (i + 1) / 0.05)
        missing_ml += (1.0 - sqrt((kpa - back_kpa) / (due - back_kpa))) * 500.0 / 60.0 * 0.01
        decisions += drive.run(0.01, line_kpa=kpa)
    assert 0.01 * (first(decisions, Action.PULL_TIMING) + 1) <= 0.07
    cut = decisions[first(decisions, Action.CUT_BOOST)]
    before = decisions[first(decisions, Action.CUT_BOOST) - 1]
    assert cut.debt_ml >= drive.guard.constants.cut_ml > before.debt_ml
    assert decisions[-1].debt_ml == pytest.approx(missing_ml, rel=0.06)
    assert decisions[-1].missing_share == pytest.approx(1.0, abs=0.02)
    assert decisions[-1].peak_debt_ml == decisions[-1].debt_ml
    assert decisions[-1].level[UNDER_DELIVERY] == Action.CUT_BOOST


@pytest.mark.parametrize("clogged", [0.4, 0.7, 1.0])
def test_a_clog_raises_the_pressure_and_the_pumps_curve_says_how_much_flows(clogged: float) -> None:
    """Full flow through narrower nozzles: the point where they meet the pump's straight line."""
    by = facts(pump=ON_ITS_CURVE)
    drive = Drive(by)
    k = drive.guard.constants
    full = full_flow_ml_min(k, 150.0)
    kpa = due_kpa(by, full)
    ripple = (kpa * rippling(10.0)).tolist()
    for now in ripple:
        assert drive.run(0.01, line_kpa=now, commanded_ml_min=full)[0].action == Action.NO_ACTION
    left = (1.0 - clogged) ** 2 * k.conductance_sq
    slope = k.conductance_sq_slope / k.conductance_sq
    half = 0.5 * left * slope
    flow = sqrt(half * half + left * (k.shut_off_kpa - 150.0 - k.check_valve_kpa)) - half
    high_kpa = k.shut_off_kpa - slope * flow
    decisions = drive.run(1.0, line_kpa=high_kpa, commanded_ml_min=full)
    assert first(decisions, Action.PULL_TIMING) >= 0
    pulled = decisions[first(decisions, Action.PULL_TIMING)]
    assert pulled.line_high == 1.0
    assert pulled.level[UNDER_DELIVERY] == Action.PULL_TIMING
    s = State.of_flat(drive.guard.state())
    assert decisions[-1].missing_share == pytest.approx(1.0 - flow / full, abs=0.04)
    assert decisions[-1].missing_share == pytest.approx(line_missing_now(k, s), abs=1e-3)


def test_where_the_regulator_holds_the_pressure_nothing_need_flow() -> None:
    """Above what it lets through the reading says nothing of the flow: all may be missing."""
    drive = Drive(facts())
    sprayed(drive, 5.0)
    decisions = drive.run(0.5, line_kpa=1.4 * due_kpa(drive.guard.rig))
    assert decisions[-1].line_high == 1.0
    assert decisions[-1].missing_share == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("share", [0.87, 1.0, 1.13])
def test_healthy_pressure_in_its_ripple_is_calm(share: float) -> None:
    """Five minutes at either end of its tolerance, and as due: nothing is done."""
    drive = Drive(facts(), long=True)
    assert {d.action for d in sprayed(drive, 300.0, share, seed=2)} == {Action.NO_ACTION}


@pytest.mark.parametrize("to_ml_min", [300.0, 600.0])
def test_a_line_that_takes_its_time_to_a_new_pressure_is_no_fault(to_ml_min: float) -> None:
    """A command that steps: the line fills, or empties, slowly or at once, both within the lag."""
    for lag_s in (1e-3, 0.03, 0.1):
        drive = Drive(facts(pump=ON_ITS_CURVE))
        k = drive.guard.constants
        kpa = due_kpa(drive.guard.rig, 500.0)
        drive.run(3.0, line_kpa=kpa)
        wanted = due_kpa(drive.guard.rig, to_ml_min)
        for _ in range(100):
            kpa = wanted + (kpa - wanted) * exp(-0.01 / lag_s)
            decision = drive.run(0.01, line_kpa=kpa, commanded_ml_min=to_ml_min)[0]
            assert decision.evidence < 0.5 * k.warn_nats


@pytest.mark.parametrize("kpa", [0.0, 200.0, 1400.0])
def test_with_little_commanded_the_pressure_says_nothing(kpa: float) -> None:
    """Below 40 % of full flow nothing is found by it, whatever it reads, and no debt is run up."""
    drive = Drive(facts())
    little = 0.99 * LEAST_COMMAND * full_flow_ml_min(drive.guard.constants, 150.0)
    decisions = drive.run(3.0, line_kpa=kpa, commanded_ml_min=little)
    assert {(d.action, d.evidence, d.debt_ml, d.missing_share) for d in decisions} == {
        (Action.NO_ACTION, 0.0, 0.0, 0.0)
    }
    assert decisions[-1].line_due_kpa != decisions[-1].line_due_kpa
    # Once more is commanded it is judged, when the valve has had time to open.
    full = drive.run(FILLS_S + 0.1, line_kpa=200.0)
    assert full[round(FILLS_S / 0.01) - 3].evidence == 0.0
    assert full[-1].action >= Action.PULL_TIMING


@pytest.mark.parametrize(
    ("lost", "for_s"),
    [(NAN, 1.0), (NOT_SENT, 1.0), (2.9e3, None), (-200.0, 1.0)],
    ids=["not a number", "silent", "too high", "implausible"],
)
def test_a_line_sensor_that_is_lost_is_never_healthy(lost: float, for_s: float | None) -> None:
    """Nothing else could tell: blind, or taken for a fault of the spray, and acted on."""
    drive = Drive(facts())
    sprayed(drive, 5.0)
    decisions = drive.run(2.0, line_kpa=lost)
    assert decisions[-1].action == Action.CUT_BOOST
    finding = UNDER_DELIVERY if for_s is None else SIGNAL_LOST
    assert decisions[-1].level[finding] == Action.CUT_BOOST
    assert (decisions[-1].all_healthy == 0.0) == (for_s is not None)


def test_a_line_pressure_that_stands_still_under_spray_is_stuck() -> None:
    """A pump's strokes move it: a reading that does not move is frozen, and the monitor blind."""
    drive = Drive(facts(channels=(*terms(*CHANNELS[:2]), *terms("line_kpa", stuck_after_s=1.0))))
    calm = sprayed(drive, 5.0)
    assert {d.action for d in calm} == {Action.NO_ACTION}
    frozen = drive.run(2.5, line_kpa=due_kpa(drive.guard.rig))
    assert 1.0 < 0.01 * first(frozen, Action.CUT_BOOST) < 1.8
    assert frozen[-1].level[SIGNAL_LOST] == Action.CUT_BOOST
    # Without spray due it may stand still for as long as it likes.
    drive = Drive(drive.guard.rig)
    idle = drive.run(10.0, line_kpa=900.0, commanded_ml_min=0.0)
    assert {d.action for d in idle} == {Action.NO_ACTION}


def test_what_only_a_flow_sensor_finds_is_not_looked_for_and_said_so() -> None:
    """No band of readings, no surplus, no doubt of the flow's terms; check lists why."""
    drive = Drive(facts(watch={}))
    decisions = [*sprayed(drive, 5.0), *drive.run(2.0, line_kpa=200.0)]
    for d in decisions:
        assert d.delivered_ml_min != d.delivered_ml_min
        assert d.least_ml_min != d.least_ml_min
        assert d.most_ml_min != d.most_ml_min
        assert (d.surplus, d.excess_ml, d.learned_s) == (0.0, 0.0, 0.0)
        assert d.expected_ml_min == d.commanded_ml_min
        assert {d.level[i] for i in (OVER_DELIVERY, UNASKED_FLOW, RIG_DOUBTED)} == {0.0}
    impossible = {f.name for f in FINDINGS if why_impossible(drive.guard.rig, f) is not None}
    flows = {"over_delivery", "unasked_flow", "cooling_missing", "rig_doubted", "line_doubted"}
    assert flows <= impossible
    assert "under_delivery" not in impossible


def test_the_tank_lasts_as_long_as_the_commanded_flow_lets_it() -> None:
    """Without a reading of the flow, its use is what is commanded."""
    watch = {"tank_time_s": 60.0, "logger_stuck_after_s": inf}
    by = facts(channels=terms(*CHANNELS, "tank_ml"), watch=watch)
    drive = Drive(by)
    decision = drive.run(3.0, line_kpa=due_kpa(by), tank_ml=3000.0)[-1]
    assert decision.tank_s == pytest.approx(3000.0 / 500.0 * 60.0)


def test_a_clock_that_steps_begins_anew() -> None:
    """What the line did in the time that is hidden is not known."""
    drive = Drive(facts())
    sprayed(drive, 5.0)
    short = drive.run(0.03, line_kpa=200.0)
    assert short[-1].evidence > 0.0
    drive.time_s -= 100.0
    assert drive.run(0.01, line_kpa=200.0)[0].evidence == 0.0


WORLDS: dict[str, Callable[[float], float]] = {
    "low": lambda x: 0.9 * x,
    "high": lambda x: 1.0 + 0.9 * x,
    "both": lambda x: 2.0 * x,
}


@settings(max_examples=40)
@given(
    shares=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20),
    world=st.sampled_from(sorted(WORLDS)),
    commanded=st.lists(st.floats(0.0, 800.0), min_size=1, max_size=5),
    dt_s=st.sampled_from([0.01, 0.05, 0.1]),
)
def test_debt_goes_with_evidence_whatever_the_line_reads(
    shares: list[float], world: str, commanded: list[float], dt_s: float
) -> None:
    """Nil evidence, nil debt; never below nil; a warning and a pull only beyond their limits."""
    drive = Drive(facts(), dt_s)
    k = drive.guard.constants
    before = 0.0
    for i, share in enumerate(shares):
        kpa = WORLDS[world](share) * due_kpa(drive.guard.rig)
        asked = commanded[i % len(commanded)]
        for d in drive.run(0.2, line_kpa=kpa, commanded_ml_min=asked):
            assert d.evidence == d.line_evidence >= 0.0
            assert d.debt_ml >= 0.0
            assert d.evidence > 0.0 or d.debt_ml == d.short_s == 0.0
            assert 0.0 <= d.missing_share <= 1.0
            if d.level[UNDER_DELIVERY] > before:
                assert d.evidence >= k.warn_nats
                assert d.level[UNDER_DELIVERY] < Action.PULL_TIMING or d.evidence >= k.limit_nats
            before = d.level[UNDER_DELIVERY]


def test_a_pull_is_released_and_its_debt_closed() -> None:
    """Out of boost for long enough: as with a flow sensor."""
    drive = Drive(facts())
    sprayed(drive, 5.0)
    assert drive.run(1.0, line_kpa=200.0)[-1].action == Action.CUT_BOOST
    after = drive.run(3.0, boost_kpa=-20.0, commanded_ml_min=0.0, line_kpa=900.0)
    assert (after[-1].action, after[-1].debt_ml) == (Action.NO_ACTION, 0.0)


def test_a_reading_sent_less_often_counts_for_the_time_since_the_last() -> None:
    """Every third row has a pressure: the debt runs up as if each had."""
    often, seldom = (Guard(facts()), Guard(facts()))
    debts = []
    for guard, every in ((often, 1), (seldom, 3)):
        for i in range(600):
            kpa = due_kpa(guard.rig) if i < 300 else 300.0
            row = {"boost_kpa": 150.0, "commanded_ml_min": 500.0}
            if i % every == 0:
                row["line_kpa"] = kpa
            decision = guard.step(Sample(0.01 * i, **row))
        debts.append(decision.debt_ml)
    assert debts[1] == pytest.approx(debts[0], rel=0.03)


def test_interpreted_and_compiled_agree_on_a_car_without_a_flow_sensor() -> None:
    """To the last bit, through a clog and a pump stop."""
    by = facts(pump=ON_ITS_CURVE)
    n = 900
    rows = np.full((n, ROW_WIDTH), NOT_SENT)
    rows[:, 0] = 0.01 * np.arange(n)
    rows[:, -1] = 0.0
    rows[:, BOOST] = 150.0 + np.sin(rows[:, 0])
    rows[:, COMMANDED] = 500.0
    share = np.where(rows[:, 0] < 3.0, 1.0, np.where(rows[:, 0] < 5.0, 1.4, 0.3))
    rows[:, LINE] = due_kpa(by) * share * rippling(0.01 * n)
    guard = Guard(by)
    stepped = np.array([guard.step(row).flat() for row in rows.tolist()])
    assert np.array_equal(stepped, Guard(by).run_rows(rows), equal_nan=True)
    high = Decision.names().index("line_high")
    assert {0.0, 1.0} == set(stepped[:, high].tolist())


def test_a_fresh_guard_knows_no_band() -> None:
    """Before the first row as after it: nothing is said of a flow that nothing reads."""
    s = fresh_state(constants_of(facts()))
    assert s.least_ml_min != s.least_ml_min
    assert fresh_state(constants_of(rig())).least_ml_min == 0.0
