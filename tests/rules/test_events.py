"""From decisions to events: each finding from its rise to its release, with what was worst."""

from itertools import pairwise
from math import inf

import pytest

from rules.events import EventTracker, Turn
from rules.facts import Action
from rules.step import state as st
from rules.step.state import Decision
from tests.kit.rigs import healthy, rig


def test_events_of_a_pump_stop() -> None:
    """One event from warning to release: raised, worsened twice, cleared, with its figures."""
    drive = healthy(rig())
    tracker = EventTracker(drive.guard.rig)
    decisions = drive.fade(Action.WARN)
    assert decisions[-1].action == Action.WARN
    decisions += drive.run(1.0, share=0.0)
    worst_ml = decisions[-1].debt_ml
    decisions += drive.run(3.0, boost_kpa=0.0, commanded_ml_min=0.0)
    turns = [turn for d in decisions for turn in tracker.feed(d)]
    kinds = [turn for turn, _ in turns]
    assert kinds == [Turn.RAISED, Turn.WORSENED, Turn.WORSENED, Turn.CLEARED]
    event = turns[0][1]
    assert event.finding == "under_delivery"
    assert event.action is Action.CUT_BOOST
    assert (event.retard_deg, event.boost_ceiling_kpa) == (12.0, 80.0)
    assert event.debt_ml >= worst_ml
    assert [step.action for step in event.steps] == ["warn", "pull_timing", "cut_boost"]
    assert event.until_s is not None
    assert event.time_s < event.action_time_s < event.until_s
    assert tracker.open_events == ()


def test_event_keeps_the_most_timing_pulled() -> None:
    """Timing pulled rises after the pull began; the event reports the most, its step the first."""
    drive = healthy(rig(debt={"cut_s": inf}, ladder={"shortfall_outlasts_s": 90.0}))
    tracker = EventTracker(drive.guard.rig)
    for decision in drive.run(1.5, share=0.6) + drive.run(1.0, share=0.0):
        tracker.feed(decision)
    (event,) = tracker.open_events
    assert event.action is Action.PULL_TIMING
    assert event.retard_deg == 12.0
    assert event.steps[-1][2] < 9.0


def test_peak_debt_outlives_a_shortfall_within_one_event() -> None:
    """A second, smaller shortfall while timing is still pulled does not hide the first one's peak.

    Whoever sees only the decisions that changed something must report the same largest debt.
    """
    facts = rig(ladder={"shortfall_outlasts_s": 100.0}, debt={"cut_s": inf})
    drive = healthy(facts)
    decisions = drive.run(2.0, share=0.0)
    peak = decisions[-1].debt_ml
    decisions += drive.run(5.0, delivered_ml_min=1500.0) + drive.run(0.2, share=0.5)
    assert decisions[-1].peak_debt_ml == peak
    decisions += drive.run(4.0, boost_kpa=0.0, commanded_ml_min=0.0)
    every, changed = EventTracker(facts), EventTracker(facts)
    all_events = [e for d in decisions for _, e in every.feed(d)]
    seen_events = [e for d in decisions if d.changed for _, e in changed.feed(d)]
    assert seen_events == all_events
    assert seen_events[0].debt_ml == pytest.approx(peak)
    drive.run(2.0)
    assert drive.run(0.1, share=0.0)[-1].peak_debt_ml < peak


def test_finish_brings_an_open_event_up_to_date() -> None:
    """At a log's end an event that lasts gets the largest debt seen, though nothing changed."""
    drive = healthy(rig(debt={"cut_s": inf}, ladder={"shortfall_outlasts_s": 90.0}))
    tracker = EventTracker(drive.guard.rig)
    for decision in drive.run(2.0, share=0.0):
        if decision.changed:
            tracker.feed(decision)
    (event,) = tracker.open_events
    assert event.debt_ml < 1.0
    tracker.finish(drive.last)
    assert event.debt_ml == drive.last.peak_debt_ml > 10.0


def test_an_event_is_timed_by_the_action_that_protects_first() -> None:
    """A cut that follows a pull doesn't make the pull late; both stand among the steps."""
    drive = healthy(rig())
    tracker = EventTracker(drive.guard.rig)
    decisions = drive.run(1.5, share=0.0)
    (event,) = [e for d in decisions for turn, e in tracker.feed(d) if turn is Turn.RAISED]
    *_, pulled, cut = event.steps
    assert (pulled.action, cut.action) == ("pull_timing", "cut_boost")
    assert event.action is Action.CUT_BOOST
    assert event.intervals.handling_s == pulled.fhti_s < cut.fhti_s
    assert event.intervals.in_time


def test_all_steps_count_from_one_fault() -> None:
    """Each step comes as much later after the fault as it comes after the step before it."""
    drive = healthy(rig())
    tracker = EventTracker(drive.guard.rig)
    turns = [turn for d in drive.run(1.5, share=0.4) for turn in tracker.feed(d)]
    event = turns[0][1]
    assert len(event.steps) > 1
    for before, after in pairwise(event.steps):
        assert after.fhti_s - before.fhti_s == pytest.approx(after.time_s - before.time_s)


def test_a_warning_long_before_the_fault_that_was_handled_lies_before_it() -> None:
    """What was only warned of at first is counted from where it had to be acted on."""
    drive = healthy(rig())
    tracker = EventTracker(drive.guard.rig)
    decision = drive.last
    levels = list(decision.level)
    found = []
    for step, (clock_s, level) in enumerate(((10.0, 1.0), (20.0, 2.0), (20.3, 3.0))):
        levels[st.KNOCK_HIGH] = level
        now = Decision.copy_of(decision)
        now.clock_s, now.time_s, now.level = clock_s, clock_s + 100.0, [*levels]
        found += tracker.feed(now)
        assert len(found) == step + 1
    event = found[0][1]
    took_s = event.intervals.handling_s
    assert [one.fhti_s for one in event.steps] == pytest.approx(
        [took_s - 10.0, took_s, took_s + 0.3]
    )
