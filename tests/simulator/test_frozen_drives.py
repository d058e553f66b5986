"""Whole drives of every shipped rig whose logger, flow or boost freezes: what is said, and when."""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from monitor.review.review import review
from rules.channels import Sample
from rules.facts import Action
from rules.guard import Guard
from rules.step.state import BOOST_CONTRADICTED, COMMAND_DISAGREES, Decision
from simulator.logfile import mapped, write_csv
from simulator.plant import Do, Fault, FaultKind, Scenario, Step, run
from simulator.rig import find_rig, load_rig
from tests.kit.recordings import Recording

RIGS = ("brindle", "orrinby", "tarnwick", "ullesby", "wexmoor", "quarrick")
FEELS = {"orrinby": "line_kpa"}  # what feels the spray where that isn't the flow sensor
PULL_S = 2.0
DRIVE = (Step(Do.CRUISE, PULL_S, 3), Step(Do.PULL, 5.0, 3), Step(Do.LIFT, 2.0))
THEN_THE_PUMP = "pump stops"


@lru_cache(maxsize=16)
def drive(name: str, fault: str = "") -> tuple[Sample, ...]:
    """Return a rig's pull; with boost frozen in cruise, and the pump stopped in the pull."""
    rig = load_rig(find_rig(name)).rig
    faults: tuple[Fault, ...] = ()
    if fault:
        faults = (Fault(FaultKind.SENSOR_STUCK, 1.0, channel="boost_kpa"),)
    if fault == THEN_THE_PUMP:
        onset_kpa = rig.command.start_boost_kpa
        faults += (Fault(FaultKind.PUMP_STOP, PULL_S, above_boost_kpa=onset_kpa + 5.0),)
    return tuple(run(Scenario("frozen", "Nothing.", rig, DRIVE, faults, rate_hz=50.0), 4))


def decide(name: str, samples: tuple[Sample, ...]) -> list[Decision]:
    """Return what the guard of a rig says."""
    guard = Guard(load_rig(find_rig(name)).rig)
    return [guard.step(sample) for sample in samples]


def in_boost(name: str) -> int:
    """Return the sample half a second after the pull's boost passed the onset."""
    onset_kpa = load_rig(find_rig(name)).rig.command.start_boost_kpa
    return next(i for i, s in enumerate(drive(name)) if s.boost_kpa > onset_kpa) + 25


def repeated(samples: tuple[Sample, ...], at: int) -> tuple[Sample, ...]:
    """Return a drive whose logger repeats one row from there on, while its clock runs."""
    return tuple(
        sample if i < at else samples[at]._replace(time_s=sample.time_s)
        for i, sample in enumerate(samples)
    )


@pytest.mark.parametrize("name", RIGS)
def test_a_logger_that_repeats_a_row_of_a_pull_is_never_healthy_again(name: str) -> None:
    """Half a second later nothing is healthy, soon boost is cut; a sound pull is left alone."""
    at = in_boost(name)
    assert max(d.action for d in decide(name, drive(name))) == Action.NO_ACTION
    decisions = decide(name, repeated(drive(name), at))
    assert {d.all_healthy for d in decisions[at - 25 : at]} == {1.0}
    assert {d.all_healthy for d in decisions[at + 28 :]} == {0.0}
    assert decisions[at + 45].action == Action.CUT_BOOST
    assert decisions[-1].action == Action.CUT_BOOST


def test_a_frozen_logger_is_told_alike_by_review_and_live(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The log says so in words and by its exit code; a guard that records it says the same."""
    rig_file = load_rig(find_rig("brindle"))
    samples = repeated(drive("brindle"), in_boost("brindle"))
    log = tmp_path / "frozen.csv"
    write_csv(samples, log, mapped(rig_file.rig))
    assert flowdebt(["review", str(log), "--rig", "brindle", "--fail-on", "cut_boost"]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "the logger repeats itself: no channel has had a new value" in told
    assert "handled in 0.86 s (detection 0.80, reaction 0.06)" in told
    live = Recording(tmp_path / "sessions", rig_file)
    live.put(samples)
    session = live.close()
    event = next(e for e in review(session, None).events if e.finding == "signal_lost")
    assert "The logger repeats itself" in event.explanation


@pytest.mark.parametrize("name", RIGS)
@pytest.mark.parametrize("what", ["spray", "boost_kpa"])
def test_one_sensor_that_freezes_in_a_long_pull_is_found_by_itself(name: str, what: str) -> None:
    """Flow is told stuck, and acted on, within a second, line pressure within two, boost four."""
    channel = FEELS.get(name, "delivered_ml_min") if what == "spray" else what
    rig = load_rig(find_rig(name)).rig
    pull = (Step(Do.CRUISE, 1.0, 4), Step(Do.PULL, 9.5, 4))
    stuck = Fault(FaultKind.SENSOR_STUCK, 4.0, channel=channel)
    long = Scenario("frozen", "Nothing.", rig, pull, (stuck,), rate_hz=50.0)
    decisions = decide(name, tuple(run(long, 4)))
    within_s = {"delivered_ml_min": 1.0, "line_kpa": 2.0, "boost_kpa": 4.6}[channel]
    acted = next(d.time_s for d in decisions if d.action >= Action.CUT_BOOST)
    assert 4.0 < acted <= 4.0 + within_s
    assert decisions[-1].all_healthy == 0.0


@pytest.mark.parametrize("name", RIGS)
def test_boost_frozen_in_cruise_does_not_hide_a_pump_that_stops(name: str) -> None:
    """A few tenths of a second after the true boost passed the onset, boost is cut, and why."""
    samples = drive(name, THEN_THE_PUMP)
    decisions = decide(name, samples)
    passed_s = samples[in_boost(name) - 25].time_s
    acted = next(d for d in decisions if d.action >= Action.CUT_BOOST)
    assert passed_s < acted.time_s < passed_s + 0.45
    assert acted.level[BOOST_CONTRADICTED] == Action.CUT_BOOST
    assert acted.retard_deg > 0.0


@pytest.mark.parametrize("seed", [2, 3])
def test_a_long_lean_cruise_makes_no_pull_behind_it_a_contradiction(seed: int) -> None:
    """Where nothing boosts, a pull's petrol for its air is a quarter more than that cruise's."""
    rig = load_rig(find_rig("quarrick")).rig
    street = (Step(Do.CRUISE, 40.0, 3), Step(Do.PULL, 3.0, 3))
    scenario = Scenario("street", "Nothing.", rig, street, rate_hz=50.0)
    assert max(d.action for d in decide("quarrick", tuple(run(scenario, seed)))) == Action.NO_ACTION


@pytest.mark.parametrize("name", ["brindle", "wexmoor"])
def test_a_logged_command_gives_a_frozen_boost_away_without_injector_duty(name: str) -> None:
    """Where duty isn't held against boost, the command the controller gives is, by itself."""
    rig = load_rig(find_rig(name)).rig
    deaf = Guard(replace(rig, watch=replace(rig.watch, contradicted_share=1e9)))
    decisions = [deaf.step(sample) for sample in drive(name, THEN_THE_PUMP)]
    passed_s = drive(name)[in_boost(name) - 25].time_s
    found = next(d for d in decisions if d.level[COMMAND_DISAGREES] >= Action.CUT_BOOST)
    assert passed_s < found.time_s < passed_s + 0.8
