"""A car with nothing but an intake temperature to feel the spray: slow, never taken on trust."""

from dataclasses import replace
from math import exp, inf, log

import pytest

from rules.channels import BOOST, DELIVERED, INTAKE, LINE, NOT_SENT
from rules.facts import Action, Rig
from rules.findings import FINDINGS, why_impossible
from rules.handling import SATURATES, handled, least_found_share
from rules.step.from_rig import (
    INTAKE_STUCK_S,
    constants_of,
    essential_columns,
    limit_nats,
    witness_column,
)
from rules.step.state import COOLING_MISSING, N_SIZES, SIGNAL_LOST, UNDER_DELIVERY, Decision
from tests.kit.rig_text import SMALL, complaint
from tests.kit.rigs import NAN, Drive, first, rig, terms
from tests.rules.step.test_charge import CHARGE, DROP_K, Engine, worst

CHANNELS = ("boost_kpa", "commanded_ml_min", "intake_c")
BOTH = pytest.mark.parametrize("more", [(), ("dry_intake_c",)], ids=["reckoned", "dry reading"])


def facts(*more: str) -> Rig:
    """Return the test rig with an intake temperature in its log, no flow and no line pressure."""
    return rig(channels=terms(*CHANNELS, *more), charge_sensor=CHARGE)


def test_it_is_the_witness_of_last_resort() -> None:
    """Flow and line pressure come first; without a word on its cooling it is none."""
    assert witness_column(facts()) == INTAKE
    assert essential_columns(facts())[:2] == (BOOST, INTAKE)
    assert witness_column(facts("line_kpa")) == LINE
    assert witness_column(facts("line_kpa", "delivered_ml_min")) == DELIVERED
    silent = replace(facts(), charge_sensor=replace(facts().charge_sensor, drop_k=0.0))
    assert witness_column(silent) == 0
    assert why_impossible(facts(), FINDINGS[UNDER_DELIVERY]) is None
    assert why_impossible(facts(), FINDINGS[COOLING_MISSING]) == "no channel delivered_ml_min"


def test_its_limit_follows_from_how_long_its_noise_lasts() -> None:
    """One sum for each size, and readings that are new once in 0.6 s."""
    assert limit_nats(facts()) == pytest.approx(log(N_SIZES * 100 * 3600 / (2 * 0.3)))


@BOTH
def test_a_pump_that_stops_is_pulled_for_and_cut_by_the_debt(more: tuple[str, ...]) -> None:
    """Timing within 0.8 s; boost once 0.4 s of full flow are missing, by what it says itself."""
    drive, engine = Drive(facts(*more)), Engine()
    assert worst(engine.pull(drive)) == Action.NO_ACTION
    engine.cools = 0.0
    decisions = engine.drive(drive, 2.0)
    at = first(decisions, Action.PULL_TIMING)
    assert 0.0 < at * drive.dt_s < 0.8
    assert decisions[at].level[UNDER_DELIVERY] == Action.PULL_TIMING
    cut = first(decisions, Action.CUT_BOOST)
    assert at < cut
    assert decisions[cut].debt_ml >= drive.guard.constants.cut_ml > decisions[cut - 1].debt_ml
    assert max(d.missing_share for d in decisions) <= 1.0
    assert decisions[cut].peak_debt_ml == decisions[cut].debt_ml
    assert decisions[cut].evidence == decisions[cut].charge_evidence


@BOTH
def test_healthy_pulls_owe_nothing(more: tuple[str, ...]) -> None:
    """Pull after pull, with a core that soaks up heat."""
    drive, engine = Drive(facts(*more)), Engine(soak_k_s=6.0)
    for _ in range(4):
        engine.pull(drive, 8.0)
    assert worst(engine.said) == Action.NO_ACTION
    assert max(d.debt_s for d in engine.said) < 0.05


@pytest.mark.parametrize("read_c", [NAN, NOT_SENT, 999.0, 45.0])
@BOTH
def test_where_it_can_not_be_read_the_guard_is_blind(read_c: float, more: tuple[str, ...]) -> None:
    """No number, none at all, out of range, frozen: what the rig says for blindness."""
    drive, engine = Drive(facts(*more)), Engine()
    engine.pull(drive)
    engine.read = lambda degrees: read_c
    decisions = engine.drive(drive, 1.0 + INTAKE_STUCK_S + 1.0)
    assert max(d.level[SIGNAL_LOST] for d in decisions) == Action.CUT_BOOST
    assert max(d.level[UNDER_DELIVERY] for d in decisions) == Action.NO_ACTION


@BOTH
def test_a_reading_that_no_missing_spray_explains_is_blindness_too(more: tuple[str, ...]) -> None:
    """It is believed again once it has been right for a while, and the engine runs on."""
    drive, engine = Drive(facts(*more)), Engine()
    engine.pull(drive)
    engine.read = lambda degrees: degrees + 4.0 * DROP_K
    decisions = engine.drive(drive, 1.0)
    cut = decisions[first(decisions, Action.CUT_BOOST)]
    assert cut.level[SIGNAL_LOST] == Action.CUT_BOOST
    assert cut.charge_wrong == 1.0
    engine.read = lambda degrees: degrees
    engine.drive(drive, 6.0)
    off = engine.drive(drive, 4.0, -60.0)
    assert off[-1].action == Action.NO_ACTION
    assert worst(engine.pull(drive)) == Action.NO_ACTION


def test_how_soon_a_stopped_pump_is_handled_is_reckoned() -> None:
    """Between what the sensor's lag alone costs and two seconds; of a part nothing is promised."""
    by = facts("dry_intake_c")
    all_gone = handled(by, 150.0, 700.0, 1.0, 0.01)
    assert 0.3 < all_gone.warn_s <= all_gone.pull_s < all_gone.cut_s < 3.0
    assert all_gone.pull_s < 2.0
    assert handled(by, 150.0, 700.0, SATURATES, 0.01).warn_s == inf
    assert least_found_share(constants_of(by)) == SATURATES


ALONE = SMALL.replace("[channels.delivered_ml_min]\n", "[channels.intake_c]\n")


def test_a_rig_with_nothing_else_must_say_how_far_spray_cools() -> None:
    """And, without a dry reading, how far boost warms: else nothing tells whether spray arrives."""
    assert "with a [charge_sensor]" in complaint(ALONE)
    drop = f"{ALONE}[charge_sensor]\ndrop_k = 12\n"
    assert "charge_sensor.rise_k: found none, expected one, or channels.dry_intake_c" in complaint(
        drop
    )


def test_the_line_and_the_charge_together() -> None:
    """Where the line is the witness the charge adds to what it says, and asks for nothing alone."""
    drive = Drive(facts("line_kpa"))
    due_kpa, decisions = 780.0, list[Decision]()
    for i in range(700):
        off = -40.0 if i < 200 else 150.0
        warmed = 28.0 + (0.0 if i < 200 else 30.0 * (1.0 - exp(-0.01 * (i - 200) / 0.4)))
        readings = {"intake_c": warmed, "line_kpa": due_kpa, "boost_kpa": off}
        decisions += drive.run(0.01, commanded_ml_min=700.0 if off > 0.0 else 0.0, **readings)
        if drive.last.line_due_kpa == drive.last.line_due_kpa:
            due_kpa = drive.last.line_due_kpa
    assert worst(decisions) == Action.NO_ACTION
