"""A rig that is wrong in one thing fails, and that thing is named."""

from dataclasses import replace

import pytest

from rules.facts import Action, Rig
from simulator.proof.outcomes import CHUNK, Cars, run_chunk
from simulator.proof.reasons import beyond_tolerance, explained
from simulator.proof.requirements import Calm, Requirement, Requirements
from simulator.proof.results import CalmResult, Proof, RowResult, RowSoFar, Verdict
from simulator.rig import find_rig, load_rig
from tests.kit.proofs import ran, requirements

ULLESBY = load_rig(find_rig("ullesby")).rig  # judged by its flow sensor alone
ASKED = requirements(
    """
name = "Reasons"
[[requirements]]
name = "stop"
at = "high"
faults = [{ kind = "pump_stop" }]
action_at_least = "pull_timing"
within = "400 ms"
[[requirements]]
name = "short"
at = "high"
faults = [{ kind = "valve_stuck_shut", magnitude = "40 %" }]
action_at_least = "pull_timing"
within = "700 ms"
[[requirements]]
name = "noisy"
at = "high"
faults = [{ kind = "wire_noise", magnitude = "1 %" }]
action_at_most = "warn"
[[requirements]]
name = "cut"
at = "high"
faults = [{ kind = "pump_stop" }]
action_at_least = "cut_boost"
within = "900 ms"
[[requirements]]
name = "a moment"
at = "high"
faults = [{ kind = "valve_stuck_shut", magnitude = "30 %", for = "100 ms" }]
action_at_most = "warn"
[[requirements]]
name = "a while"
at = "high"
faults = [{ kind = "valve_stuck_shut", magnitude = "40 %", for = "600 ms" }]
action_at_most = "pull_timing"
""",
    "ullesby",
)
STOP, SHORT, NOISY, CUT, MOMENT, WHILE = ASKED.requirements


def sensor(**values: float) -> Rig:
    """Return the rig with other terms of its flow sensor."""
    return replace(ULLESBY, flow_sensor=replace(ULLESBY.flow_sensor, **values))


def debt(**values: float) -> Rig:
    """Return the rig with other limits."""
    return replace(ULLESBY, debt=replace(ULLESBY.debt, **values))


def proven(guard: Rig, car: Rig, row: Requirement) -> RowResult:
    """Return what two chunks of a row come to, with the reason found by trial."""
    cars = Cars(guard, car, ASKED.population)
    so_far = RowSoFar(cars, row, 2 * CHUNK)
    for chunk in range(2):
        if not so_far.done:
            so_far.add(run_chunk(cars, row, chunk))
    (result,) = explained(Proof({}, (so_far.result(),), ()), cars).rows
    return result


MORE_SPRAY = replace(
    ULLESBY.spray,
    nozzles=tuple(replace(n, rated_ml_min=1.4 * n.rated_ml_min) for n in ULLESBY.spray.nozzles),
)
CLOGGED = """
name = "Clogged"
[[requirements]]
name = "half shut"
at = "high"
faults = [{ kind = "valve_stuck_shut", magnitude = "50 %" }]
action_at_least = "pull_timing"
within = "700 ms"
"""
WRONG = {
    "delay too short": (
        sensor(delay_s=0.01, delay_within_s=0.009),
        STOP,
        "pull timing had come before anything was wrong",
        "with [flow_sensor] transport_delay as in the cars' own rig",
    ),
    "delay too long": (
        sensor(delay_s=0.4, delay_within_s=0.04),
        NOISY,
        "more was done than warn",
        "with [flow_sensor] transport_delay as in the cars' own rig",
    ),
    "tolerance too wide": (
        sensor(gain_within=0.3),
        SHORT,
        "pull timing came late",
        "with [flow_sensor] gain_within as in the cars' own rig",
    ),
    "nozzles of another car": (
        replace(ULLESBY, spray=MORE_SPRAY),
        NOISY,
        "more was done than warn",
        "with [spray] nozzles as in the cars' own rig",
    ),
    "threshold too high": (
        debt(cut_s=2.0),
        CUT,
        "cut boost came late",
        "with [debt] cut as in the cars' own rig",
    ),
    "threshold too low": (
        debt(cut_s=0.1),
        WHILE,
        "more was done than pull timing",
        "with [debt] cut as in the cars' own rig",
    ),
    "evidence too little": (
        debt(false_pull_every_h=0.01),
        MOMENT,
        "more was done than warn",
        "with [debt] false_pull_every as in the cars' own rig",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_in_a_rig_is_named(case: str) -> None:
    """It fails for the right reason; with that one key as the cars have it, it wouldn't."""
    guard, row, how, why = WRONG[case]
    result = proven(guard, ULLESBY, row)
    assert result.verdict is Verdict.FAIL
    assert how in result.reason
    assert result.reason.endswith(why)


@pytest.mark.parametrize(
    ("rig", "row", "why"),
    [
        (sensor(gain_within=0.3), SHORT, "a third of [flow_sensor] gain_within = 30 %"),
        (debt(cut_s=2.0), CUT, "a quarter of [debt] cut"),
        (debt(cut_s=0.1), WHILE, "four times [debt] cut"),
        (
            debt(false_pull_every_h=0.01),
            MOMENT,
            "[debt] false_pull_every = 100000 h, not 0.01 h",
        ),
    ],
)
def test_a_rig_alone_is_tried_with_other_thresholds(rig: Rig, row: Requirement, why: str) -> None:
    """Where the cars are as the rig says, a tolerance or a limit that costs too much is named."""
    result = proven(rig, rig, row)
    assert result.verdict is Verdict.FAIL
    assert f"failing runs pass with {why}" in result.reason


def test_what_no_key_helps_stays_unexplained() -> None:
    """No rig can act within 10 ms: nothing is named; a pass needs no reason."""
    hopeless = proven(ULLESBY, ULLESBY, replace(STOP, within_s=0.01))
    assert hopeless.verdict is Verdict.FAIL
    assert "tried again" not in hopeless.reason
    assert proven(ULLESBY, ULLESBY, replace(STOP, share=0.7)).reason == ""


def test_pulls_while_all_is_well_are_tried_again() -> None:
    """Rigs that differ in one thing watch those drives; what would be calm is named."""
    calm = Calm("false pulls", Action.PULL_TIMING, 1.0)
    cars = Cars(sensor(delay_s=0.01, delay_within_s=0.009), ULLESBY, ASKED.population)
    pulled = CalmResult(calm, Verdict.FAIL, 1.0, 30, reason="it came 30 times", hit=(0, 1))
    (told,) = explained(Proof({}, (), (pulled,)), cars).calms
    assert told.reason == (
        "it came 30 times; tried again, 2 of 2 such drives pass with [flow_sensor] "
        "transport_delay as in the cars' own rig"
    )
    passed = replace(pulled, verdict=Verdict.PASS)
    assert explained(Proof({}, (), (passed,)), cars).calms == (passed,)


def made_up(guard: Rig, asked: Requirements, pull_s: float) -> RowResult:
    """Return a row of 32 runs that all pulled after so long, with what ``check`` reckons."""
    cars = Cars(guard, guard, asked.population)
    runs = tuple(ran(i, pull_s) for i in range(2 * CHUNK))
    row = RowResult(STOP, Verdict.PASS, runs, len(runs))
    (result,) = explained(Proof({}, (row,), ()), cars).rows
    return result


def test_a_gauge_that_may_be_far_off_is_named() -> None:
    """A closed valve raises the pressure by little more than such a gauge may be off."""
    asked = requirements(CLOGGED, "orrinby")
    rig = load_rig(find_rig("orrinby")).rig
    cars = Cars(rig, rig, asked.population)
    (row,) = asked.requirements
    so_far = RowSoFar(cars, row, 2 * CHUNK)
    so_far.add(run_chunk(cars, row, 0))
    (result,) = explained(Proof({}, (so_far.result(),), ()), cars).rows
    assert "pull timing" in result.reason
    assert result.reason.endswith("with a third of [line_sensor] gain_within = 10 %")


def test_check_and_prove_agree_or_it_is_told_why_not() -> None:
    """19 of 20 stops are handled as soon as ``check`` reckons; if not, it says what differs."""
    agrees = made_up(ULLESBY, ASKED, 0.2).reckoned
    assert agrees.startswith("19 of 20 within ")
    assert "flowdebt check reckons " in agrees
    assert ":" not in agrees
    assert made_up(ULLESBY, ASKED, 2.0).reckoned.endswith(": no car goes beyond its tolerances")
    wild = requirements(WILD, "ullesby")
    told = made_up(ULLESBY, wild, 2.0).reckoned
    assert "the cars go beyond it: transport delay 50 to 300 ms, where the rig allows " in told
    assert "gain -20 to 0 %, where the rig allows -8 to 8" in told
    assert beyond_tolerance(Cars(ULLESBY, ULLESBY, ASKED.population)) == ()


def test_shipped_rigs_are_handled_as_soon_as_check_reckons() -> None:
    """Real cars: their own tolerances drawn, no stop takes longer than it says for 19 of 20."""
    cars = Cars(ULLESBY, ULLESBY, ASKED.population)
    so_far = RowSoFar(cars, STOP, 2 * CHUNK)
    for chunk in range(2):
        so_far.add(run_chunk(cars, STOP, chunk))
    (result,) = explained(Proof({}, (so_far.result(),), ()), cars).rows
    assert result.reckoned
    assert ":" not in result.reckoned


WILD = """
name = "Wild"
[population]
transport_delay = ["50 ms", "300 ms"]
gain = ["-20 %", "0 %"]
[[calm]]
name = "false pulls"
action = "pull_timing"
at_most_per_100_h = 1
"""
