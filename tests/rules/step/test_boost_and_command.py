"""Boost against injector duty, and the logged command against the rig's own rule."""

from math import isnan

import numpy as np
import pytest

from rules.channels import NOT_SENT, ROW_WIDTH
from rules.explain import explain
from rules.facts import Action, CommandKind, Rig
from rules.findings import FINDINGS, why_impossible
from rules.guard import Guard
from rules.intervals import intervals
from rules.step.from_rig import constants_of
from rules.step.state import BOOST_CONTRADICTED, COMMAND_DISAGREES, FINDING_NAMES, Decision, State
from tests.kit.decisions import matrix_of
from tests.kit.rigs import ALL_CHANNELS, Drive, healthy, of_kind, rig, terms

CHECKED = {"disagree_share": 0.25, "contradicted_share": 0.6, "logger_stuck_after_s": 1e9}
# 2 L and four injectors of 650 mL/min: 60 % duty at 5000 rpm are the petrol for 150 kPa of boost.
AIR = {"engine_speed_rpm": 5000.0, "injector_duty_pct": 60.0}
CRUISE = {"boost_kpa": -40.0, "commanded_ml_min": 0.0, "command_pct": 0.0}
CRUISE |= {"engine_speed_rpm": 3000.0, "injector_duty_pct": 9.0}


def facts(kind: CommandKind = CommandKind.FIXED, **watch: float) -> Rig:
    """Return a rig with both cross-checks in force, fixed command of 500 mL/min."""
    return of_kind(kind, command={"rate_ml_min": 500.0}, watch={**CHECKED, **watch})


def worst(decisions: list[Decision], name: str) -> float:
    """Return a finding's highest level."""
    return max(d.level[FINDING_NAMES.index(name)] for d in decisions)


def contradiction(decisions: list[Decision]) -> float:
    """Return how far boost is held to contradict injector duty."""
    return worst(decisions, "boost_contradicted")


def disagreement(decisions: list[Decision]) -> float:
    """Return how far controller and rig are held to disagree."""
    return worst(decisions, "command_disagrees")


def test_boost_frozen_in_cruise_is_contradicted_by_duty_in_a_pull() -> None:
    """Half a second of full-load duty beside a cruise's boost cuts boost, and says why."""
    drive = healthy(facts(), **CRUISE)
    pulling = {**CRUISE, **AIR}
    decisions = drive.run(0.5, **pulling)
    found = next(i for i, d in enumerate(decisions) if d.level[BOOST_CONTRADICTED] > 0.0)
    assert 0.01 * found == pytest.approx(0.3, abs=0.011)
    raised = decisions[found]
    assert raised.action == Action.CUT_BOOST
    assert raised.boost_ceiling_kpa == 80.0
    assert raised.retard_deg == 12.0  # all that was paid for: boost says nothing of how much
    text = explain(drive.guard.rig, BOOST_CONTRADICTED, raised)
    assert text.startswith("Injector duty 60 % at 5000 rpm speaks for ")
    assert "of boost, where -40 kPa is read, for more than 0.30 s" in text
    assert intervals(drive.guard.rig, BOOST_CONTRADICTED, raised).detection_s == 0.3


@pytest.mark.parametrize(
    ("why", "readings"),
    [
        ("overrun: nothing is injected", {"boost_kpa": -70.0, "injector_duty_pct": 0.0}),
        ("dead time alone", {"boost_kpa": -70.0, "injector_duty_pct": 3.0}),
        ("warm-up at half load", {"boost_kpa": -40.0, "injector_duty_pct": 30.0}),
        ("rich, hot and high", {"boost_kpa": 90.0, "injector_duty_pct": 63.0}),
        ("lean beside much boost", {"boost_kpa": 180.0, "injector_duty_pct": 30.0}),
        ("the engine stands", {"engine_speed_rpm": 0.0}),
        ("no duty comes", {"boost_kpa": -40.0, "injector_duty_pct": NOT_SENT}),
        ("no speed comes", {"boost_kpa": -40.0, "engine_speed_rpm": float("nan")}),
        ("boost can't be seen", {"boost_kpa": NOT_SENT}),
    ],
)
def test_what_only_looks_like_a_contradiction_is_none(why: str, readings: dict[str, float]) -> None:
    """Overrun, warm-up, enrichment, and readings that are not there, raise nothing."""
    drive = healthy(facts(), **CRUISE)
    drive.run(0.6, **{**CRUISE, "injector_duty_pct": NOT_SENT, "engine_speed_rpm": NOT_SENT})
    assert contradiction(drive.run(3.0, **{**AIR, "commanded_ml_min": 0.0, **readings})) == 0.0, why


def test_a_gear_shift_and_a_throttle_lift_contradict_nothing() -> None:
    """Boost and duty that fall and rise a quarter of a second apart are no contradiction."""
    drive = healthy(facts(), **AIR)
    for _ in range(6):
        low = {"boost_kpa": -30.0, "commanded_ml_min": 0.0}
        assert contradiction(drive.run(0.25, **{**AIR, **low})) == 0.0
        assert contradiction(drive.run(0.25, **{**AIR, **low, "injector_duty_pct": 0.0})) == 0.0
        assert contradiction(drive.run(0.4, **AIR)) == 0.0


def test_the_learned_level_follows_a_car_within_bounds() -> None:
    """A car that injects 30 % more than its rig says is not in contradiction for ever; 300 % is."""
    drive = Drive(facts())
    drive.run(60.0, **{**CRUISE, "injector_duty_pct": 14.0})
    rich = State.of_flat(drive.guard.state()).air_level
    assert 1.2 < rich < 1.8
    assert contradiction(drive.run(3.0, **{**AIR, "injector_duty_pct": 75.0})) == 0.0
    poisoned = Drive(facts())
    poisoned.run(300.0, **{**CRUISE, "injector_duty_pct": 18.0})
    assert State.of_flat(poisoned.guard.state()).air_level == pytest.approx(1.8)
    assert contradiction(poisoned.run(1.0, **{**CRUISE, **AIR})) == Action.CUT_BOOST


def test_what_duty_speaks_for_is_shown_where_it_can_be_told() -> None:
    """Petrol for 250 kPa absolute is told as about 150 kPa of boost; none as unknown."""
    drive = healthy(facts(), **AIR)
    assert drive.last.duty_boost_kpa == pytest.approx(150.0, abs=15.0)
    assert isnan(drive.run(0.01, **{**AIR, "injector_duty_pct": 0.0})[-1].duty_boost_kpa)


@pytest.mark.parametrize(
    ("logged", "level"),
    [
        ({"commanded_ml_min": 680.0}, Action.NO_ACTION),
        ({"commanded_ml_min": 710.0}, Action.CUT_BOOST),
        ({"commanded_ml_min": 320.0}, Action.NO_ACTION),
        ({"commanded_ml_min": 290.0}, Action.CUT_BOOST),
    ],
)
def test_the_logged_command_may_be_a_quarter_of_full_flow_off(
    logged: dict[str, float], level: Action
) -> None:
    """By its own rule 500 mL/min, full flow at the highest boost 775: 194 either side are fine."""
    assert 0.25 * constants_of(facts()).full_ml_min == pytest.approx(194.0, abs=1.0)
    drive = healthy(facts(), **AIR)
    assert disagreement(drive.run(1.0, **{**AIR, **logged})) == level


def test_a_disagreement_lasts_before_it_counts_and_is_told() -> None:
    """It is found after its time, and the sentence holds both figures."""
    drive = healthy(facts(CommandKind.BOOST), boost_kpa=150.0, commanded_ml_min=770.0, **AIR)
    frozen = {"boost_kpa": 5.0, "commanded_ml_min": 770.0}
    decisions = drive.run(1.0, **{**CRUISE, **frozen})
    found = next(i for i, d in enumerate(decisions) if d.level[COMMAND_DISAGREES] > 0.0)
    assert 0.35 < 0.01 * found < 0.65  # the rule's own lag first
    text = explain(drive.guard.rig, COMMAND_DISAGREES, decisions[found])
    assert text.startswith("The log says 770 mL/min are commanded, the rig ")
    assert decisions[found].action == Action.CUT_BOOST


def test_a_latch_waits_for_what_cannot_be_judged() -> None:
    """Where flow is lost, a disagreement found before is not over: nothing is released."""
    drive = healthy(facts(CommandKind.BOOST), boost_kpa=150.0, commanded_ml_min=770.0, **AIR)
    drive.run(1.0, **{**CRUISE, "boost_kpa": 5.0, "commanded_ml_min": 770.0})
    assert drive.last.level[COMMAND_DISAGREES] == Action.CUT_BOOST
    low = {**CRUISE, "boost_kpa": -20.0, "commanded_ml_min": 770.0}
    decisions = drive.run(8.0, **{**low, "delivered_ml_min": NOT_SENT})
    assert {d.action for d in decisions} == {Action.CUT_BOOST}


def test_a_command_in_percent_is_held_against_the_rule_too() -> None:
    """60 % of full flow beside a rule that says all of it is a disagreement, 90 % is none."""
    percent = tuple(t for t in terms(*ALL_CHANNELS) if t.name != "commanded_ml_min")
    by_percent = rig(command={"kind": CommandKind.BOOST}, channels=percent, watch=CHECKED)
    readings = {**AIR, "commanded_ml_min": NOT_SENT, "command_pct": 100.0}
    assert disagreement(healthy(by_percent, **readings).run(2.0, **readings)) == 0.0
    less = {**readings, "command_pct": 90.0}
    assert disagreement(healthy(by_percent, **readings).run(2.0, **less)) == 0.0
    drive = healthy(by_percent, **readings)
    decisions = drive.run(1.0, **{**readings, "command_pct": 60.0})
    assert disagreement(decisions) == Action.CUT_BOOST
    text = explain(by_percent, COMMAND_DISAGREES, decisions[-1])
    assert text.startswith("The log says 60 % of full flow are commanded")


@pytest.mark.parametrize("late_s", [0.0, 0.05, 0.1, 0.2])
@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 100.0])
def test_a_controller_that_follows_its_boost_late_does_not_disagree(
    late_s: float, rate_hz: float
) -> None:
    """Boost that comes and goes in 0.6 s, with a command up to 0.2 s behind or ahead, is honest."""
    for sign in (1.0, -1.0):
        drive = Drive(facts(CommandKind.BOOST), dt_s=1.0 / rate_hz)
        decisions = []
        for i in range(round(8.0 * rate_hz)):
            time_s = i / rate_hz
            boost, seen = (
                150.0 * float(np.clip((t % 4.0) / 0.6, 0.0, 1.0) - ((t % 4.0) > 3.0))
                for t in (time_s, max(time_s - sign * late_s, 0.0))
            )
            share = float(np.clip((seen - 50.0) / 100.0, 0.0, 1.0))
            logged = {"boost_kpa": boost, "commanded_ml_min": 775.0 * share}
            decisions += drive.run(1.0 / rate_hz, **{**AIR, **logged, "injector_duty_pct": 0.0})
        assert disagreement(decisions) == 0.0


@pytest.mark.parametrize(("boost_kpa", "level"), [(41.0, 0.0), (59.0, 0.0), (38.0, 3.0)])
def test_next_to_a_switch_point_either_side_may_be_right(boost_kpa: float, level: float) -> None:
    """Within 10 kPa of a boost switch at 50 kPa, all or nothing are both honest."""
    drive = healthy(facts(), **AIR)
    share = {"boost_kpa": boost_kpa, "commanded_ml_min": 500.0 if boost_kpa < 50.0 else 0.0}
    assert disagreement(drive.run(3.0, **{**AIR, **share})) == level


def test_a_rig_that_believes_the_log_has_nothing_to_hold_against_it() -> None:
    """Where the command is the log's own, or the channels are not there, the reason is said."""
    by_name = {name: FINDINGS[FINDING_NAMES.index(name)] for name in FINDING_NAMES}
    disagrees, contradicted = by_name["command_disagrees"], by_name["boost_contradicted"]
    assert "believes the logged command" in str(
        why_impossible(facts(CommandKind.LOG_FLOW), disagrees)
    )
    assert why_impossible(facts(), disagrees) is None
    assert why_impossible(facts(), contradicted) is None
    poor = rig(command={"kind": CommandKind.BOOST}, channels=terms("boost_kpa", "delivered_ml_min"))
    assert why_impossible(poor, disagrees) == "no channel commanded_ml_min or command_pct"
    assert why_impossible(poor, contradicted) == "no channel engine_speed_rpm, injector_duty_pct"
    off = facts(disagree_share=float("inf"), contradicted_share=float("inf"))
    assert (
        why_impossible(off, disagrees) == why_impossible(off, contradicted) == "not set in [watch]"
    )


def test_both_are_the_same_compiled_to_the_last_bit() -> None:
    """Two minutes of random readings of every kind of command, interpreted and compiled."""
    rng = np.random.default_rng(5)
    rows = np.full((2000, ROW_WIDTH), NOT_SENT)
    rows[:, 0] = np.arange(2000) * 0.06
    rows[:, -1] = 0.0
    rows[:, 1] = rng.uniform(0.0, 7000.0, 2000)
    rows[:, 2] = rng.uniform(-60.0, 200.0, 2000)
    rows[:, 3] = rng.uniform(0.0, 100.0, 2000)
    rows[:, 6] = rng.uniform(0.0, 900.0, 2000)
    rows[:, 7] = rng.uniform(0.0, 100.0, 2000)
    rows[:, 8] = rng.uniform(0.0, 900.0, 2000)
    rows[500:, 2] = np.where(np.arange(1500) % 300 < 150, rows[500:, 2], -40.0)
    met: set[float] = set()
    for kind in CommandKind:
        guard, twin = Guard(facts(kind)), Guard(facts(kind))
        live = matrix_of(guard.step(row) for row in rows.tolist())
        assert np.array_equal(live, twin.run_rows(rows), equal_nan=True)
        met |= set(live[:, Decision.names().index("level_boost_contradicted")])
    assert met == {0.0, 3.0}
