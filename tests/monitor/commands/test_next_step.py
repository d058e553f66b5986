"""The one next step that ``flowdebt check`` ends with: which, why, and what it buys."""

from dataclasses import replace
from math import inf
from pathlib import Path

import pytest

from monitor.commands.check import derived
from monitor.commands.next_step import FITTED_DELAY_S, NextStep, next_step
from rules.facts import FlowSensor, Rig
from rules.guard import Guard
from rules.handling import handled, least_due_ml_min
from rules.step.state import Decision
from simulator.plant import Do, Fault, FaultKind, Step, run
from simulator.rig import STEPS, find_rig, load_rig
from simulator.scenario import load_scenario
from tests.kit.decisions import matrix_of

BRINDLE = load_rig(find_rig("brindle")).rig
KNOWN = replace(
    BRINDLE, flow_sensor=FlowSensor(delay_within_s=FITTED_DELAY_S, lag_s=0.1, lag_within_s=0.02)
)
ALL = dict.fromkeys(STEPS, True)


def found(rig: Rig, period_s: float = 0.01, **standing: bool) -> NextStep:
    """Return the next step of a rig at 100 rows a second."""
    boost_kpa = rig.paid.boost_kpa[-1]
    now_s = handled(rig, boost_kpa, least_due_ml_min(rig, boost_kpa), 1.0, period_s).pull_s
    return next_step(rig, period_s, now_s, standing, "car.toml")


def without(rig: Rig, *names: str) -> Rig:
    """Return the rig without some of its channels."""
    return replace(rig, channels=tuple(one for one in rig.channels if one.name not in names))


def wide(rig: Rig = BRINDLE) -> Rig:
    """Return the rig with a delay and a lag that are hardly known."""
    return replace(
        rig, flow_sensor=replace(rig.flow_sensor, delay_within_s=0.07, lag_within_s=0.09)
    )


def test_wide_tolerances_say_what_a_fit_buys() -> None:
    """In seconds, with the commands; once done, the trip is next."""
    step = found(wide())
    assert step.step == "fit"
    assert step.now_s - step.then_s > 0.02
    assert f"in about {step.then_s:.2f} s, now {step.now_s:.2f} s" in step.words
    assert "healthy pulls in third gear" in step.words
    assert "dyno or closed course" in step.words
    assert step.command.startswith("flowdebt fit LOG --rig car.toml --to NEW.toml, then flowdebt")
    assert found(wide(), fit=True).step == "trip"


def test_a_rig_that_changed_since_is_told_so() -> None:
    """A fit or a trip of another rig counts for nothing."""
    assert found(wide(), fit=False).words.startswith("again, as the rig has changed since: ")
    assert found(KNOWN, fit=True, trip=False).words.startswith(
        "again, as the rig has changed since: confirm"
    )
    assert not found(KNOWN, fit=True).words.startswith("again")


def test_a_rig_that_was_never_held_against_its_car_is_fitted_first() -> None:
    """Also where that makes nothing quicker: no figure then."""
    step = found(KNOWN)
    assert (step.step, step.now_s) == ("fit", step.then_s)
    assert "pulls timing" not in step.words


def test_what_a_draft_left_open_is_settled_before_all_else(tmp_path: Path) -> None:
    """The most dangerous first, all of them counted, whatever a fit or a sensor would buy."""
    marks = {
        "count = 2": "how many nozzles.",
        "dry_limit = ": "prove it.",
        "timing = [": "out of the tune.",
        "tolerant = ": "how long it survives.",
        "[channels.tank_ml]": "is it the tank?",
    }
    text = find_rig("brindle").read_text(encoding="utf-8")
    text = text.replace("[channels.tank_ml]", "# [channels.tank_ml]")
    for key, why in marks.items():
        above = "# " * key.startswith("[") + key
        assert text.count(f"\n{above}") == 1, key
        text = text.replace(f"\n{above}", f"\n# TO DO: {why}\n{above}")
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    facts = derived(load_rig(path))
    assert facts["to_do"] == [
        *("paid.dry_limit", "paid.timing", "fault_intervals.tolerant"),
        *("channels.tank_ml", "spray.nozzles[0].count"),
    ]
    step = facts["next_step"]
    assert isinstance(step, dict)
    assert (step["step"], step["command"]) == ("to_do", "flowdebt check car.toml")
    assert step["words"].startswith(
        "settle 5 keys marked TO DO in the rig, the most dangerous first: paid.dry_limit, "
        "paid.timing, fault_intervals.tolerant, channels.tank_ml and 1 more."
    )
    late = replace(wide(), fault_intervals=replace(BRINDLE.fault_intervals, tolerant_s=0.2))
    left = next_step(late, 0.08, 0.5, {}, "car.toml", ["paid.dry_limit"])
    assert left.words.startswith("settle the key marked TO DO in the rig: paid.dry_limit. ")


def test_then_the_trip_comes() -> None:
    """With what protects whoever tries it."""
    step = found(KNOWN, fit=True)
    assert step.step == "trip"
    assert step.now_s == step.then_s
    for caution in (
        "take out the timing that spray pays for",
        "dyno or closed course",
        "another watching the screen",
        "90 to 100 kPa",  # brindle's dry limit
        "lift at any knock",
    ):
        assert caution in step.words
    assert step.command == "flowdebt check car.toml --done trip --by NAME --log LOG"


def test_a_dry_limit_where_spray_begins_is_measured_before_the_trip() -> None:
    """As a draft leaves it: nothing is due that the engine survives dry."""
    start_kpa = KNOWN.command.start_boost_kpa
    rig = replace(KNOWN, paid=replace(KNOWN.paid, dry_limit_kpa=start_kpa))
    assert found(rig, fit=True).step == "dry_limit"
    step = found(rig, fit=True, dry_limit=True)
    assert step.step == "trip"
    assert f"above {start_kpa:.0f} kPa, no more than the trip needs" in step.words


@pytest.mark.parametrize("step", ["trip", "dry_limit", "fit", "jug"])
def test_what_is_left_comes_when_the_rest_is_done(step: str) -> None:
    """A step that is missing is next where all others stand."""
    assert found(KNOWN, **{name: True for name in STEPS if name != step}).step == step


def test_nothing_is_left() -> None:
    """Where all is done, and line pressure is logged."""
    step = found(KNOWN, **ALL)
    assert (step.step, step.command) == ("none", "")


def test_a_sensor_of_line_pressure_says_what_it_buys() -> None:
    """Where none is mapped; the figure is that of line pressure alone."""
    step = found(without(KNOWN, "line_kpa"), **ALL)
    assert step.step == "line"
    boost_kpa = KNOWN.paid.boost_kpa[-1]
    alone = without(KNOWN, "delivered_ml_min")
    due_ml_min = least_due_ml_min(alone, boost_kpa)
    assert step.then_s == pytest.approx(handled(alone, boost_kpa, due_ml_min, 1.0, 0.01).pull_s)
    assert step.now_s - step.then_s > 0.05
    assert f"in about {step.then_s:.2f} s by line pressure, now {step.now_s:.2f} s" in step.words


def test_too_late_is_mended_first_by_what_buys_most() -> None:
    """Whatever was done or not: rows, a fit or a sensor, whichever is quickest."""
    late = replace(wide(), fault_intervals=replace(BRINDLE.fault_intervals, tolerant_s=0.2))
    assert found(without(late, "line_kpa")).step == "line"
    assert found(late).step == "fit"
    known = replace(late, flow_sensor=KNOWN.flow_sensor)
    step = found(known, 0.08, fit=True, trip=True)
    assert step.step == "rows"
    assert step.then_s < step.now_s
    assert "at least 50 rows a second" in step.words
    assert found(known, fit=True).step == "trip"  # nothing of these three helps any more


def test_a_stop_that_is_never_handled_is_told_as_such() -> None:
    """What can't be reckoned has no figure."""
    step = next_step(wide(), 0.01, inf, {}, "car.toml")
    assert "now perhaps never" in step.words


@pytest.mark.parametrize(
    "name", ["brindle", "tarnwick", "ullesby", "wexmoor", "quarrick", "orrinby"]
)
def test_every_shipped_rig_has_a_next_step(name: str) -> None:
    """With a flow sensor or without, boosted or not."""
    facts = derived(load_rig(find_rig(name)))
    step = facts["next_step"]
    assert isinstance(step, dict)
    assert step["step"] in STEPS


@pytest.mark.parametrize(
    ("name", "throttle"), [("brindle", 59.0), ("wexmoor", 58.0), ("orrinby", 58.5)]
)
def test_the_trip_as_told_trips_on_a_simulated_car(name: str, throttle: float) -> None:
    """The pump unplugged, at a boost within the span that is told, timing is pulled."""
    rig = load_rig(find_rig(name)).rig
    onset_kpa, dry_kpa = rig.command.start_boost_kpa, rig.paid.dry_limit_kpa
    drive = (Step(Do.CRUISE, 2.0, 3), Step(Do.PULL, 7.0, 4, throttle))
    stop = (Fault(FaultKind.PUMP_STOP),)
    guard = Guard(rig)
    unplugged = replace(load_scenario("pump_stop"), rig=rig, drive=drive, faults=stop)
    named = Decision.named(matrix_of(guard.step(sample) for sample in run(unplugged, 2)))
    pulled = named["level"][:, 0] >= 2.0
    assert pulled.any()
    highest_kpa = float(named["boost_kpa"].max())
    assert onset_kpa + 0.75 * (dry_kpa - onset_kpa) < highest_kpa < dry_kpa + 5.0
