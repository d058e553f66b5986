"""The charge's temperature as evidence: of spray that never reaches it, and of no honest rise."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from math import exp
from operator import add
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from rules.channels import DRY_INTAKE, INTAKE, NOT_SENT
from rules.facts import Action, Rig
from rules.findings import FINDINGS, why_impossible
from rules.step.charge import BELIEVED_S, CLOSES_S, ENTRY_S, judge_charge
from rules.step.evidence import CALM_NATS
from rules.step.from_rig import constants_of
from rules.step.state import (
    CHARGE_ACCOUNTS,
    COOLING_MISSING,
    LINE_DOUBTED,
    N_SIZES,
    UNDER_DELIVERY,
    Decision,
)
from rules.step.step import fresh_state
from tests.kit.rigs import ESSENTIAL, NAN, Drive, first, rig, terms

DROP_K, RISE_K, SOAK_K_S = 16.0, 30.0, 5.0
CHARGE = {"drop_k": DROP_K, "rise_k": RISE_K, "soak_k_s": 6.0, "drop_within": 0.3}
FULL = 700.0  # mL/min, and more than pump and nozzles give


def facts(*more: str, **charge: float) -> Rig:
    """Return the test rig with an intake temperature in its log, and what else is named."""
    return rig(channels=terms(*ESSENTIAL, "intake_c", *more), charge_sensor={**CHARGE, **charge})


@dataclass
class Engine:
    """An engine's charge, by hand: what boost adds, what its core soaks up, what spray cools.

    ``drop_k`` in full spray, ``rise_k`` by full boost at once, ``soak_k_s`` by each second at
    first; the sensors' lag.
    """

    drop_k: float = DROP_K
    rise_k: float = RISE_K
    soak_k_s: float = SOAK_K_S
    lag_s: float = 0.4
    ambient_c: float = 28.0
    cools: float = 1.0  # share of the spray that reaches the charge
    read: Callable[[float], float] = lambda degrees: degrees  # what the sensor makes of it
    soaked_k: float = 0.0
    dry_c: float = 28.0
    intake_c: float = 28.0
    said: list[Decision] = field(default_factory=list)

    def drive(self, drive: Drive, for_s: float, boost_kpa: float = 150.0) -> list[Decision]:
        """Feed so long at a boost, full spray at 150 kPa and none below 50; all of it flows."""
        decisions: list[Decision] = []
        heat = max(boost_kpa, 0.0) / 150.0
        share = 1.0 if boost_kpa >= 50.0 else 0.0
        for _ in range(round(for_s / drive.dt_s)):
            dt_s = drive.dt_s
            self.soaked_k += (self.soak_k_s * heat - self.soaked_k / 6.0) * dt_s
            dry_c = self.ambient_c + self.soaked_k + self.rise_k * heat
            kept = exp(-dt_s / self.lag_s)
            self.dry_c = dry_c + (self.dry_c - dry_c) * kept
            wet_c = dry_c - self.drop_k * self.cools * share
            self.intake_c = wet_c + (self.intake_c - wet_c) * kept
            readings = {"intake_c": self.read(self.intake_c)}
            if "dry_intake_c" in {one.name for one in drive.guard.rig.channels}:
                readings["dry_intake_c"] = self.dry_c
            decisions += drive.run(
                dt_s, boost_kpa=boost_kpa, commanded_ml_min=FULL * share, **readings
            )
        self.said += decisions
        return decisions

    def pull(self, drive: Drive, for_s: float = 6.0) -> list[Decision]:
        """Feed two seconds off boost and then a pull."""
        return self.drive(drive, 2.0, -40.0) + self.drive(drive, for_s)


def worst(decisions: list[Decision]) -> float:
    """Return the most that anything asked for."""
    return max(d.action for d in decisions)


BOTH = pytest.mark.parametrize("more", [(), ("dry_intake_c",)], ids=["reckoned", "dry reading"])


@settings(max_examples=100)
@given(
    read_c=st.floats(20.0, 70.0),
    colder_before=st.floats(-0.6, 0.6),
    off=st.floats(-0.3, 0.3),
    noise_k=st.floats(0.3, 4.0),
    lasts_s=st.floats(0.001, 2.0),
)
def test_a_ratio_is_that_of_two_normal_densities(
    read_c: float, colder_before: float, off: float, noise_k: float, lasts_s: float
) -> None:
    """Each size's sum moves by scipy's log-likelihood ratio, as those of flow and line do."""
    k = constants_of(facts("dry_intake_c", noise_k=noise_k, noise_lasts_s=lasts_s))
    k.limit_nats = 1e9
    s = fresh_state(k)
    s.asked_fast = s.asked_slow = s.asked_lasting = 1.0  # full spray that has long lasted
    s.value[INTAKE], s.value[DRY_INTAKE], s.dry_slow_c = read_c, 70.0, 70.0
    due = 1.0 - off
    before = (70.0 - read_c) / DROP_K - due + colder_before
    s.charge_residual, s.charge_off = before, off
    s.account[CHARGE_ACCOUNTS : CHARGE_ACCOUNTS + N_SIZES] = [500.0] * N_SIZES
    judge_charge(k, s, True, 1.0, ENTRY_S)
    kept = lasts_s / (lasts_s + ENTRY_S)
    sd = noise_k / DROP_K
    new = (70.0 - read_c) / DROP_K - due - kept * min(before, 2.0 * sd)
    sd *= (1.0 - kept**2) ** 0.5
    wanted = [
        norm.logpdf(new, -size * due * (1.0 - kept), sd) - norm.logpdf(new, 0.0, sd)
        for size in k.size
    ]
    found = s.account[CHARGE_ACCOUNTS : CHARGE_ACCOUNTS + N_SIZES]
    assert found == pytest.approx([max(500.0 + by, 0.0) for by in wanted], rel=1e-6, abs=1e-6)
    assert s.charge_evidence == max(found)
    assert s.charge_due_c == pytest.approx(70.0 - due * DROP_K)


@BOTH
def test_spray_that_leaks_away_behind_the_flow_sensor_is_found(more: tuple[str, ...]) -> None:
    """The flow reads right, the charge warms within a second: all the timing is pulled, no more."""
    drive, engine = Drive(facts(*more)), Engine()
    assert worst(engine.pull(drive)) == Action.NO_ACTION
    engine.cools = 0.0
    decisions = engine.drive(drive, 3.0)
    at = first(decisions, Action.PULL_TIMING)
    assert 0 < at * drive.dt_s < 0.8
    assert decisions[at].level[COOLING_MISSING] == Action.PULL_TIMING
    assert decisions[at].retard_deg == 12.0  # the 10 deg paid, and the margin
    assert 0.0 < decisions[at].charge_short_s < 0.8
    assert worst(decisions) == Action.PULL_TIMING
    assert max(d.level[UNDER_DELIVERY] for d in decisions) == Action.NO_ACTION


def test_with_a_dry_reading_a_pull_without_any_cooling_is_found() -> None:
    """Nothing cools from the first second of a pull on; without that reading it may be the day."""
    drive, engine = Drive(facts("dry_intake_c")), Engine()
    engine.pull(drive)
    engine.cools = 0.0
    decisions = engine.pull(drive, 4.0)
    assert 2.0 < first(decisions, Action.PULL_TIMING) * drive.dt_s < 4.5


@BOTH
@settings(max_examples=25)
@given(data=st.data())
def test_an_honest_rise_pulls_nothing(more: tuple[str, ...], data: st.DataObject) -> None:
    """Whatever boost, core, spray and sensor the rig's tolerances allow, pull after pull."""
    engine = Engine(
        drop_k=DROP_K * data.draw(st.floats(0.75, 1.3)),
        rise_k=RISE_K * data.draw(st.floats(0.8, 1.2)),
        soak_k_s=data.draw(st.floats(0.0, 6.0)),
        lag_s=data.draw(st.floats(0.2, 0.6)),
        ambient_c=data.draw(st.floats(25.0, 45.0)),
    )
    drive = Drive(facts(*more), dt_s=data.draw(st.sampled_from([0.01, 0.02, 0.05])), long=True)
    for _ in range(3):
        engine.pull(drive, data.draw(st.floats(0.5, 10.0)))
        engine.drive(drive, data.draw(st.floats(0.1, 3.0)), data.draw(st.floats(-60.0, 45.0)))
    assert worst(engine.said) == Action.NO_ACTION
    assert max(d.charge_wrong for d in engine.said) == 0.0


@BOTH
def test_in_the_cold_nothing_is_missed(more: tuple[str, ...]) -> None:
    """A charge of 10 degC cools by next to nothing, and no less of that proves anything."""
    drive, engine = Drive(facts(*more)), Engine(rise_k=10.0, soak_k_s=0.0, ambient_c=-5.0)
    engine.dry_c = engine.intake_c = -5.0
    engine.cools = 0.0
    assert max(d.charge_evidence for d in engine.pull(drive)) == 0.0


def test_what_flow_and_charge_say_adds_up_to_no_more_than_twice_the_flow() -> None:
    """The slow witness never makes of little evidence by the flow more than as much again."""
    drive, engine = Drive(facts("dry_intake_c")), Engine()
    engine.pull(drive)
    readings = {"commanded_ml_min": FULL, "dry_intake_c": engine.dry_c}
    seen = []
    for i in range(100):
        warmed = engine.intake_c + DROP_K * (1.0 - exp(-0.01 * i / 0.4))
        (decision,) = drive.run(0.01, share=0.93, intake_c=warmed, **readings)
        state = drive.guard._state
        assert decision.evidence == state.flow_evidence + min(
            state.flow_evidence, decision.charge_evidence
        )
        seen.append(decision.charge_evidence)
    assert max(seen) > CALM_NATS


def test_a_guard_that_starts_in_boost_knows_no_core() -> None:
    """Without a dry reading, and none ever seen off boost, a warm charge proves nothing."""
    drive = Drive(facts())
    decisions = drive.run(3.0, commanded_ml_min=FULL, intake_c=60.0)
    decisions += drive.run(3.0, commanded_ml_min=FULL, intake_c=90.0)
    assert {d.charge_evidence for d in decisions} == {0.0}
    assert all(d.charge_due_c != d.charge_due_c for d in decisions)


def test_evidence_outlives_a_gear_shift_and_ends_with_the_pull() -> None:
    """It is kept for as long as a shift takes; what was found before that is another pull's."""
    drive, engine = Drive(facts("dry_intake_c")), Engine()
    engine.pull(drive)
    engine.cools = 0.0
    assert engine.drive(drive, 2.0)[-1].charge_evidence > CALM_NATS
    assert engine.drive(drive, 0.5 * CLOSES_S, 30.0)[-1].charge_evidence > 0.0
    off = engine.drive(drive, 2.0 * CLOSES_S, 30.0)
    assert off[-1].charge_evidence == 0.0
    assert off[-1].level[COOLING_MISSING] == Action.PULL_TIMING  # latched until it is released
    assert engine.drive(drive, 4.0, -60.0)[-1].action == Action.NO_ACTION


FAILED: dict[str, Callable[[float], float]] = {
    "short": lambda degrees: 160.0,
    "open": lambda degrees: -40.0,
    "half as hot again": lambda degrees: 1.5 * degrees,
    "a third colder": lambda degrees: 0.67 * degrees,
    "60 K too hot": lambda degrees: degrees + 60.0,
    "60 K too cold": lambda degrees: degrees - 60.0,
    "frozen": lambda degrees: 45.0,
    "gone": lambda degrees: NOT_SENT,
    "not a number": lambda degrees: NAN,
    "full of noise": lambda degrees: degrees + 15.0 * (-1.0) ** int(1e6 * degrees),
}


@BOTH
@pytest.mark.parametrize("how", FAILED)
def test_a_sensor_that_fails_cuts_nothing(more: tuple[str, ...], how: str) -> None:
    """In a pull, or before one: no boost is cut, and a step that no charge makes pulls nothing."""
    drive, engine = Drive(facts(*more)), Engine()
    engine.pull(drive)
    engine.read = FAILED[how]
    decisions = engine.drive(drive, 3.0)
    for _ in range(2):
        decisions += engine.pull(drive)
    assert worst(decisions) <= Action.PULL_TIMING
    if how in ("short", "60 K too hot", "full of noise"):
        in_time = decisions[:300]
        assert max(d.charge_wrong for d in in_time) == 1.0
        assert worst(in_time) == (Action.NO_ACTION if how == "full of noise" else Action.WARN)


@pytest.mark.parametrize("flows", [True, False])
def test_a_charge_too_hot_is_told_only_while_spray_flows(flows: bool) -> None:
    """Where none does it is no "flow but no cooling", hot as it may read."""
    drive = Drive(facts("dry_intake_c"))
    decisions = drive.run(3.0, commanded_ml_min=FULL, intake_c=54.0, dry_intake_c=70.0)
    readings = {} if flows else {"delivered_ml_min": 0.0}
    decisions = drive.run(3.0, commanded_ml_min=FULL, intake_c=130.0, dry_intake_c=70.0, **readings)
    assert decisions[-1].charge_wrong == 1.0
    told = max(d.level[COOLING_MISSING] for d in decisions)
    assert told == (Action.WARN if flows else Action.NO_ACTION)
    assert decisions[-1].level[UNDER_DELIVERY] == (0.0 if flows else Action.CUT_BOOST)


def test_a_pull_is_taken_back_where_no_missing_spray_explains_the_reading() -> None:
    """A sensor that drifts up passes for missing spray, until it is hotter than that could be."""
    drive, engine = Drive(facts("dry_intake_c")), Engine()
    engine.pull(drive)
    decisions: list[Decision] = []
    for i in range(600):
        engine.read = partial(add, 0.08 * i)
        decisions += engine.drive(drive, 0.01)
    at = first(decisions, Action.PULL_TIMING)
    assert at > 0
    assert worst(decisions) == Action.PULL_TIMING
    assert decisions[-1].charge_wrong == 1.0
    assert decisions[-1].action == Action.WARN
    engine.read = lambda degrees: degrees
    assert decisions[-1].charge_evidence == 0.0
    right = engine.drive(drive, BELIEVED_S + 4.0)
    assert right[-1].charge_wrong == 0.0
    assert right[-1].action == Action.NO_ACTION


def test_where_the_line_says_that_spray_arrives_the_charge_may_only_warn() -> None:
    """Two witnesses against the slowest one."""
    drive = Drive(facts("dry_intake_c", "line_kpa"))
    limit_nats = constants_of(drive.guard.rig).limit_nats
    due_kpa, decisions = 780.0, []
    for i in range(700):
        warmed = 54.0 + DROP_K * max(0.0, 1.0 - exp(-0.01 * (i - 400) / 0.4))
        readings = {"intake_c": warmed, "dry_intake_c": 70.0, "line_kpa": due_kpa}
        decisions += drive.run(0.01, commanded_ml_min=FULL, **readings)
        if drive.last.line_due_kpa == drive.last.line_due_kpa:
            due_kpa = drive.last.line_due_kpa
    assert max(d.charge_evidence for d in decisions) > limit_nats
    assert max(d.level[COOLING_MISSING] for d in decisions) == Action.WARN
    assert worst(decisions) == Action.WARN


@pytest.mark.parametrize("cooled", [True, False])
def test_a_charge_that_warms_bears_the_line_out_against_the_flow(cooled: bool) -> None:
    """Pressure low, flow as it should be: by the charge it is told which of the two is wrong."""
    drive = Drive(facts("dry_intake_c", "line_kpa"))
    due_kpa, decisions = 780.0, list[Decision]()
    for i in range(600):
        gone = max(0.0, 1.0 - exp(-0.01 * (i - 400) / 0.05))
        warmed = 0.0 if cooled else DROP_K * max(0.0, 1.0 - exp(-0.01 * (i - 400) / 0.3))
        kpa = due_kpa * (1.0 - 0.5 * gone)
        readings = {"intake_c": 54.0 + warmed, "dry_intake_c": 70.0, "line_kpa": kpa}
        decisions += drive.run(0.01, commanded_ml_min=FULL, **readings)
        if drive.last.line_due_kpa == drive.last.line_due_kpa:
            due_kpa = drive.last.line_due_kpa
    assert worst(decisions) == Action.PULL_TIMING
    doubted = max(d.level[LINE_DOUBTED] for d in decisions)
    assert doubted == (Action.WARN if cooled else Action.NO_ACTION)
    assert decisions[-1].level[UNDER_DELIVERY] == (0.0 if cooled else Action.PULL_TIMING)


@pytest.mark.parametrize(
    ("channels", "charge", "why"),
    [
        (("intake_c", "dry_intake_c"), {}, "no drop_k in [charge_sensor]"),
        (("intake_c",), {"drop_k": 12.0}, "no drop_k and rise_k in [charge_sensor]"),
        (("dry_intake_c",), {"drop_k": 12.0}, "no channel intake_c"),
        (("intake_c",), {"drop_k": 12.0, "rise_k": 20.0}, None),
        (("intake_c", "dry_intake_c"), {"drop_k": 12.0}, None),
    ],
)
def test_a_charge_is_judged_where_the_rig_says_how_far_spray_cools_it(
    channels: tuple[str, ...], charge: dict[str, Any], why: str | None
) -> None:
    """By a dry reading, or by what boost adds; else the finding says what is not there."""
    car = rig(channels=terms(*ESSENTIAL, *channels), charge_sensor=charge)
    assert why_impossible(car, FINDINGS[COOLING_MISSING]) == why
    assert (constants_of(car).cooled_column == INTAKE) is (why is None)


def test_more_air_through_the_cooler_is_hotter() -> None:
    """Engine speed, where the log has it, says how much of the rise is due: 60 % and by the air.

    A speed at which no engine makes boost is a sensor's that fails: all of it is due then.
    """
    k = constants_of(facts("engine_speed_rpm"))
    due: list[float] = []
    for speed in (0.2 * k.redline_rpm, k.redline_rpm, 2.0 * k.redline_rpm, 0.0):
        drive = Drive(facts("engine_speed_rpm"))
        drive.run(2.0, boost_kpa=-40.0, commanded_ml_min=0.0, intake_c=30.0, engine_speed_rpm=speed)
        drive.run(4.0, commanded_ml_min=0.0, intake_c=30.0, engine_speed_rpm=speed)
        due.append(drive.guard._state.heat_slow)
    assert due[0] == pytest.approx(0.68, abs=0.01)
    assert due[1:] == pytest.approx([1.0] * 3, abs=0.01)
