"""Commands, constants, explanations, events and the guard's own manners, by plain examples."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules import channels as ch
from rules.channels import NOT_SENT, OPERATOR, ROW_WIDTH, Sample, tick
from rules.events import EventTracker, Turn
from rules.explain import explain, status
from rules.facts import Action, CommandKind, Limit, Nozzle, Pump
from rules.findings import FINDINGS
from rules.guard import Guard, rows_of
from rules.step import compiled
from rules.step import state as st_
from rules.step.arithmetic import clamp, larger, round_up, smaller
from rules.step.command import commanded_flow_ml_min
from rules.step.constants import constants_of, essential_columns
from rules.step.hydraulics import full_flow_ml_min
from rules.step.state import FINDING_NAMES, Decision
from tests.kit.rigs import ALL_CHANNELS, ESSENTIAL, NAN, Drive, first, healthy, of_kind, rig, terms


def commanded(kind: CommandKind, boost_kpa: float, duty: float, **command: float) -> float:
    """Return the commanded flow as a share of full flow; the log says 100 mL/min and 25 %."""
    k = constants_of(of_kind(kind, command=command))
    full = full_flow_ml_min(k, boost_kpa)
    return commanded_flow_ml_min(k, boost_kpa, duty, 100.0, 25.0) / full


@pytest.mark.parametrize(
    ("kind", "boost_kpa", "duty", "share"),
    [
        (CommandKind.LOG_PERCENT, 20.0, 0.0, 0.25),  # the log is believed below the onset too
        (CommandKind.FIXED, 49.9, 50.0, 0.0),
        (CommandKind.FIXED, 50.0, 50.0, 1.0),
        (CommandKind.BOOST, 49.0, 50.0, 0.0),
        (CommandKind.BOOST, 75.0, 50.0, 0.25),
        (CommandKind.BOOST, 150.0, 50.0, 1.0),
        (CommandKind.BOOST, 200.0, 50.0, 1.0),
        (CommandKind.INJECTOR_DUTY, 49.0, 80.0, 0.0),
        (CommandKind.INJECTOR_DUTY, 60.0, 10.0, 0.0),
        (CommandKind.INJECTOR_DUTY, 60.0, 65.0, 0.75),
        (CommandKind.INJECTOR_DUTY, 60.0, 95.0, 1.0),
        (CommandKind.MAP, 49.0, 80.0, 0.0),
        (CommandKind.MAP, 75.0, 50.0, 0.35),
        (CommandKind.MAP, 150.0, 80.0, 0.85),
        (CommandKind.MAP, 300.0, 95.0, 1.0),
    ],
)
def test_each_kind_of_command(
    kind: CommandKind, boost_kpa: float, duty: float, share: float
) -> None:
    """Every kind of spray control asks for its share of what the hydraulics give at this boost."""
    assert commanded(kind, boost_kpa, duty) == pytest.approx(share, abs=1e-12)


def test_flows_in_ml_min_are_capped_by_the_hydraulics() -> None:
    """A logged or fixed flow counts as it is, up to full flow."""
    k = constants_of(of_kind(CommandKind.LOG_FLOW))
    assert commanded_flow_ml_min(k, 100.0, 0.0, 123.0, 0.0) == 123.0
    assert commanded_flow_ml_min(k, 100.0, 0.0, 5000.0, 0.0) == full_flow_ml_min(k, 100.0)
    fixed = constants_of(of_kind(CommandKind.FIXED, command={"rate_ml_min": 222.0}))
    assert commanded_flow_ml_min(fixed, 100.0, 0.0, 0.0, 0.0) == 222.0


@pytest.mark.parametrize("kind", list(CommandKind))
def test_pump_stop_is_seen_with_every_kind(kind: CommandKind) -> None:
    """Whatever commands the spray, a stopped pump at full boost is pulled within 0.4 s."""
    everything = dict.fromkeys(ALL_CHANNELS, 50.0)
    drive = Drive(of_kind(kind))
    readings = {**everything, "boost_kpa": 150.0, "commanded_ml_min": 500.0, "lambda_ratio": 0.8}
    del readings["delivered_ml_min"]
    assert {d.action for d in drive.run(3.0, **readings)} == {0.0}
    assert 0 < first(drive.run(1.0, share=0.0, **readings), Action.PULL_TIMING) <= 40


def test_essential_channels_follow_the_command() -> None:
    """Boost and delivered flow always; beside them what the command is worked out from."""
    extra = {kind: essential_columns(of_kind(kind))[2:] for kind in CommandKind}
    assert extra == {
        CommandKind.LOG_FLOW: (ch.COMMANDED,),
        CommandKind.LOG_PERCENT: (ch.COMMAND_PCT,),
        CommandKind.FIXED: (),
        CommandKind.BOOST: (),
        CommandKind.INJECTOR_DUTY: (ch.INJECTOR_DUTY,),
        CommandKind.MAP: (ch.INJECTOR_DUTY,),
    }


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"channels": terms("boost_kpa", "commanded_ml_min")}, "delivered_ml_min is essential"),
        ({"command": {"kind": CommandKind.MAP}}, "injector_duty_pct is essential"),
        ({"command": {"kind": CommandKind.LOG_PERCENT}}, "command_pct is essential"),
        ({"spray": {"nozzles": ()}}, "nozzle flow"),
        ({"spray": {"pump": Pump(1000.0, 0.0)}}, "pump free flow"),
        ({"spray": {"fluid_kg_m3": 0.0}}, "fluid density"),
        ({"spray": {"nozzles": (Nozzle(500.0, 0.0),)}}, "rated pressure"),
        ({"ladder": {"step_deg": 0.0}}, "timing step"),
        ({"command": {"kind": CommandKind.BOOST, "full_boost_kpa": 50.0}}, "full less start 0"),
        ({"command": {"kind": CommandKind.BOOST, "full_boost_kpa": np.inf}}, "start inf"),
        ({"paid": {"boost_kpa": (), "timing_deg": ()}}, "1 to 32 ascending"),
        ({"paid": {"boost_kpa": (100.0, 100.0)}}, "1 to 32 ascending"),
        ({"paid": {"boost_kpa": (0.0, NAN)}}, "1 to 32 ascending"),
        ({"paid": {"timing_deg": (1.0,)}}, "one value for each boost"),
    ],
)
def test_unsafe_facts_are_refused(changes: dict[str, Any], says: str) -> None:
    """What cannot be divided by or looked up is one clear error, not a guard that never acts."""
    with pytest.raises(ValueError, match=says):
        constants_of(rig(**changes))


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ({"map_boost_kpa": (50.0,), "map_pct": ((0.0, 40.0),)}, "2 to 32 ascending"),
        ({"map_duty_pct": (80.0, 20.0)}, "2 to 32 ascending"),
        ({"map_boost_kpa": tuple(float(i) for i in range(33))}, "2 to 32 ascending"),
        ({"map_pct": ((0.0, 40.0), (30.0, 70.0))}, "found 4 cells"),
    ],
)
def test_unsafe_maps_are_refused(command: dict[str, Any], says: str) -> None:
    """A delivery map needs two ascending axes of 2 to 32 points, and every cell."""
    with pytest.raises(ValueError, match=says):
        constants_of(of_kind(CommandKind.MAP, command=command))


def test_small_arithmetic() -> None:
    """Smaller, larger, clamp, and rounding up that leaves exact multiples alone."""
    assert (smaller(1.0, 2.0), smaller(2.0, 1.0)) == (1.0, 1.0)
    assert (larger(1.0, 2.0), larger(2.0, 1.0)) == (2.0, 2.0)
    assert [clamp(x, 0.0, 1.0) for x in (-1.0, 0.5, 2.0)] == [0.0, 0.5, 1.0]
    rounded = [round_up(x, 0.5) for x in (-1.0, 0.0, 0.01, 0.5, 0.51, 4.8, 5.0)]
    assert rounded == [0.0, 0.0, 0.5, 0.5, 1.0, 5.0, 5.0]
    assert all(round_up(i * 0.1, 0.1) == i * 0.1 for i in range(100))


def told(decisions: list[Decision], finding: int, level: int, drive: Drive) -> str:
    """Explain the first decision in which a finding has this level."""
    column = Decision._fields.index(f"level_{FINDING_NAMES[finding]}")
    return explain(drive.guard.rig, finding, next(d for d in decisions if d[column] == level))


def test_explanations_of_the_debt_hold_the_numbers() -> None:
    """Flows, share, boost, debt, threshold, time and what is done are all in the sentence."""
    drive = healthy(rig())
    decisions = drive.run(3.0, share=0.6)
    assert told(decisions, 0, 1, drive) == (
        "335 of 500 mL/min arrive (33 % missing) at 150 kPa boost; debt 0.42 mL passed the warn "
        "threshold of 0.40 mL after 0.21 s: warn."
    )
    pulled = told(decisions, 0, 2, drive)
    for number in (" of 500 mL/min", "at 150 kPa", "0.8", "threshold of 0.80 mL", "deg of tim"):
        assert number in pulled
    outlasted = told(decisions, 0, 3, drive)
    assert "40 % missing" in outlasted
    assert "outlasted 1.5 s of pulled timing" in outlasted
    assert outlasted.endswith("cut boost to 80 kPa and pull 5.0 deg of timing.")


def test_explanation_of_a_cut_by_debt() -> None:
    """A cut by the debt itself names the cut threshold."""
    drive = healthy(rig())
    assert "passed the cut threshold of 5.00 mL" in told(drive.run(1.0, share=0.0), 0, 3, drive)


def test_explanations_of_lost_signals() -> None:
    """A lost signal names the channel, its state and the boost, or that boost is unknown."""
    drive = healthy(rig())
    decisions = drive.run(1.0, delivered_ml_min=NAN)
    text = told(decisions, st_.SIGNAL_LOST, 3, drive)
    assert text.startswith("Delivered flow not a number at 150 kPa boost, so the spray cannot be")
    blind = healthy(rig())
    assert "Boost stale at unknown boost" in told(
        blind.run(1.0, boost_kpa=NOT_SENT), st_.SIGNAL_LOST, 3, blind
    )
    optional = healthy(rig(channels=terms(*ESSENTIAL, "knock")), knock=0.0)
    assert (
        told(optional.run(1.0), st_.SIGNAL_LOST, 1, optional)
        == "Knock stale at 150 kPa boost: warn."
    )


def test_explanations_of_limits_and_clock() -> None:
    """A limit names reading, limit and time; a clock step says what is unknown."""
    limit = Limit(above=60.0, for_s=0.25, action=Action.PULL_TIMING)
    drive = healthy(
        rig(limits={"intake_c": limit}, channels=terms(*ESSENTIAL, "intake_c")), intake_c=40.0
    )
    text = told(drive.run(1.0, intake_c=71.5), st_.INTAKE_HOT, 2, drive)
    assert "temperature 71.5 degC has been above its limit of 60.0 degC for 0.25 s" in text
    drive.time_s += 100.0
    assert "clock stepped" in told(drive.run(0.1, intake_c=40.0), st_.CLOCK_STEP, 1, drive)


def test_status_lines() -> None:
    """One line says what is done now: no action of three kinds, and each action with its reason."""
    facts = rig()
    drive = Drive(facts)
    assert "not being judged" in status(facts, drive.guard.decision())
    out_of_boost = drive.run(1.0, boost_kpa=10.0, commanded_ml_min=0.0)[-1]
    assert status(facts, out_of_boost) == "No action: no spray expected at 10 kPa boost."
    assert status(facts, drive.run(2.0)[-1]) == (
        "No action: 500 of 500 mL/min arrive at 150 kPa boost."
    )
    missing = drive.run(0.4, share=0.0)[-1]
    assert status(facts, missing).startswith(
        "Pull 12.0 deg of timing: under-delivery, debt 2.80 mL, 96 % of the spray missing."
    )
    blind = healthy(facts)
    text = status(facts, blind.run(1.0, delivered_ml_min=NAN)[-1])
    assert text == "Cut boost to 80 kPa and pull 12.0 deg of timing: signal lost."


def test_events_of_a_pump_stop() -> None:
    """One event from warning to release: raised, worsened twice, cleared, with its figures."""
    drive = healthy(rig())
    tracker = EventTracker(drive.guard.rig)
    decisions = drive.run(1.0, share=0.0)
    worst_ml = decisions[-1].debt_ml
    decisions += drive.run(3.0, boost_kpa=0.0, commanded_ml_min=0.0)
    turns = [turn for d in decisions for turn in tracker.feed(d)]
    kinds = [turn for turn, _ in turns]
    assert kinds == [Turn.RAISED, Turn.WORSENED, Turn.WORSENED, Turn.CLEARED]
    event = turns[0][1]
    record = event.as_json()
    assert record["finding"] == "under_delivery"
    assert record["action"] == "cut_boost"
    assert (record["retard_deg"], record["boost_ceiling_kpa"]) == (12.0, 80.0)
    assert record["debt_ml"] >= worst_ml
    assert [step["action"] for step in record["steps"]] == ["warn", "pull_timing", "cut_boost"]
    assert record["time_s"] < record["action_time_s"] < record["until_s"]
    assert tracker.open_events == ()


def test_event_keeps_the_most_timing_pulled() -> None:
    """Timing pulled rises after the pull began; the event reports the most, its step the first."""
    drive = healthy(rig(debt={"cut_ml": 90.0}, ladder={"shortfall_outlasts_s": 90.0}))
    tracker = EventTracker(drive.guard.rig)
    for decision in drive.run(1.5, share=0.0):
        tracker.feed(decision)
    (event,) = tracker.open_events
    assert event.action is Action.PULL_TIMING
    assert event.retard_deg == 12.0
    assert event.steps[-1][2] < 9.0


def test_peak_debt_outlives_a_shortfall_within_one_event() -> None:
    """A second, smaller shortfall while timing is still pulled does not hide the first one's peak.

    Whoever sees only the decisions that changed something must report the same largest debt.
    """
    facts = rig(ladder={"shortfall_outlasts_s": 100.0}, debt={"cut_ml": 100.0})
    drive = healthy(facts)
    decisions = drive.run(2.0, share=0.0)
    peak = decisions[-1].debt_ml
    decisions += drive.run(5.0, delivered_ml_min=1500.0) + drive.run(0.2, share=0.5)
    assert decisions[-1].peak_debt_ml == peak
    decisions += drive.run(4.0, boost_kpa=0.0, commanded_ml_min=0.0)
    every, changed = EventTracker(facts), EventTracker(facts)
    all_events = [e for d in decisions for _, e in every.feed(d)]
    seen_events = [e for d in decisions if d.changed for _, e in changed.feed(d)]
    assert [e.as_json() for e in seen_events] == [e.as_json() for e in all_events]
    assert seen_events[0].debt_ml == pytest.approx(peak)
    drive.run(2.0)
    assert drive.run(0.1, share=0.0)[-1].peak_debt_ml < peak


def test_finish_brings_an_open_event_up_to_date() -> None:
    """At a log's end an event that lasts gets the largest debt seen, though nothing changed."""
    drive = healthy(rig(debt={"warn_ml": 0.2, "pull_ml": 90.0, "cut_ml": 99.0}))
    tracker = EventTracker(drive.guard.rig)
    for decision in drive.run(2.0, share=0.0):
        if decision.changed:
            tracker.feed(decision)
    (event,) = tracker.open_events
    assert event.debt_ml < 1.0
    tracker.finish(drive.last)
    assert event.debt_ml == drive.last.peak_debt_ml > 10.0


def test_registry_of_findings_is_complete() -> None:
    """Every finding has a label, a response and what to check first; its channels exist."""
    assert tuple(f.name for f in FINDINGS) == FINDING_NAMES
    for finding in FINDINGS:
        assert finding.label
        assert finding.response
        assert finding.check_first
        assert set(finding.needs) <= set(ALL_CHANNELS)


def test_columns_become_rows() -> None:
    """Columns left out are not sent; the operator column is nothing unless it is given."""
    rows = rows_of({"time_s": np.array([0.0, 1.0]), "boost_kpa": np.array([5.0, 6.0])})
    assert rows.shape == (2, ROW_WIDTH)
    assert rows[1].tolist() == list(Sample(1.0, boost_kpa=6.0))
    assert rows[0, OPERATOR] == 0.0
    assert tick(2.0, operator=1.0)[OPERATOR] == 1.0


@pytest.mark.parametrize(
    "columns",
    [
        {"boost_kpa": np.zeros(2)},
        {"time_s": np.zeros(2), "boots_kpa": np.zeros(2)},
        {"time_s": np.zeros(2), "boost_kpa": np.zeros(3)},
        {"time_s": np.zeros(2), "boost_kpa": np.zeros(1)},
    ],
)
def test_wrong_columns_are_refused(columns: dict[str, Any]) -> None:
    """No time, an unknown column, or another length: an error that names the column."""
    with pytest.raises(ValueError, match="column"):
        Guard(rig()).run(columns)


def test_wrong_shape_is_refused() -> None:
    """A matrix that is not ROW_WIDTH wide is refused before anything is decided."""
    with pytest.raises(ValueError, match="samples: found shape"):
        Guard(rig()).run_rows(np.zeros((3, ROW_WIDTH - 1)))


def test_fingerprint_sees_names_and_constants(monkeypatch: pytest.MonkeyPatch) -> None:
    """The compiled code's cache key changes with a called name and with a module's constant."""
    plain = compiled.fingerprint()
    assert compiled.fingerprint() == plain
    monkeypatch.setattr("rules.step.debt.MIN_PER_S", 1.0)
    changed = compiled.fingerprint()
    assert changed != plain
    monkeypatch.undo()
    code = commanded_flow_ml_min.__code__
    names = tuple("larger" if name == "smaller" else name for name in code.co_names)
    monkeypatch.setattr(commanded_flow_ml_min, "__code__", code.replace(co_names=names))
    assert compiled.fingerprint() not in (plain, changed)


def test_rig_changes_do_not_leak_between_guards() -> None:
    """Two guards share nothing: one's shortfall leaves the other at no action."""
    facts = rig()
    broken, fine = healthy(facts), healthy(replace(facts))
    assert broken.run(1.0, share=0.0)[-1].action == 3.0
    assert fine.run(1.0)[-1].action == 0.0
