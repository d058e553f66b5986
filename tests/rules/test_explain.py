"""Sentences that explain: whatever happens, the numbers in one agree with each other and fit."""

import re
from collections.abc import Iterator
from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.words.literal import wrapped
from monitor.words.units import METRIC, US, Units
from rules.channels import NOT_SENT
from rules.events import EventTracker, Turn
from rules.explain import explain, status
from rules.facts import Action, CommandKind, Limit, Rig
from rules.findings import FINDINGS
from rules.guard import Guard
from rules.step import state as st_
from rules.step.from_rig import constants_of
from rules.step.state import FINDING_NAMES, Decision
from tests.kit.decisions import altered
from tests.kit.rigs import ESSENTIAL, NAN, Drive, healthy, of_kind, rig, terms
from tests.rules.step.test_compiled import Floats, Stretch, rigs, stream, stretches
from tests.rules.step.test_watch import CALM, SHOWN
from tests.rules.step.test_watch import facts as whole

NUMBER = r"(-?[0-9]+(?:\.[0-9]+)?)"
# What is said to be more than, or less than, what: the first number to the second.
MORE = (
    rf"evidence {NUMBER} of {NUMBER}: no car",
    rf"{NUMBER} s of full flow \(.*\) missing, {NUMBER} s cut boost",
    rf"\({NUMBER} mL\) missing, {NUMBER} mL cut boost",
    rf"{NUMBER} \S+ has been above its limit of {NUMBER}",
    rf"knock {NUMBER} stays above its limit of {NUMBER}",
    rf"{NUMBER} mL too much \(limit {NUMBER}\)",
    rf"{NUMBER} kPa confirmed for a ceiling of {NUMBER} kPa",
    rf"no spray is commanded at {NUMBER} kPa boost, above {NUMBER} kPa",
)
LESS = (
    rf"evidence {NUMBER} of {NUMBER}: hardly a car",
    rf"cools the charge by only {NUMBER} K, less than {NUMBER} K",
    rf"{NUMBER} of {NUMBER} deg of retard confirmed",
    rf"no spray is due at {NUMBER} kPa boost, it begins at {NUMBER} kPa",
)


def contradictions(said: str) -> Iterator[str]:
    """Yield what in a sentence can't be so, rounding of its numbers allowed for."""
    yield from re.findall(r"(?<![\w.])-0(?:\.0+)?(?![\d.])", said)
    for sign, patterns in ((1.0, MORE), (-1.0, LESS)):
        for pattern in patterns:
            for found in re.findall(pattern, said, re.IGNORECASE):
                first, second = map(float, found)
                if sign * first < sign * second:
                    yield f"{first} against {second}"


def sentences(rig: Rig, rows: Floats) -> Iterator[str]:
    """Yield every explanation and every status that comes of a stream."""
    guard, tracker = Guard(rig), EventTracker(rig)
    for row in rows.tolist():
        decision = guard.step(row)
        for turn, event in tracker.feed(decision):
            if turn is not Turn.CLEARED:
                yield event.explanation
        if decision.changed:
            yield status(rig, decision)


@settings(max_examples=150)
@given(facts=rigs, parts=stretches, seed=st.integers(0, 1000))
def test_a_sentence_agrees_with_itself(facts: Rig, parts: list[Stretch], seed: int) -> None:
    """Over any stream: what passed a limit is beyond it, and what only warns is not."""
    for said in sentences(facts, stream(parts, seed)):
        assert not list(contradictions(said)), said


@pytest.mark.parametrize(
    "said",
    [
        "Evidence 15 of 16: no car this rig allows for would read",
        "Evidence 17 of 16: hardly a car this rig allows for would read",
        "0.24 s of full flow (3.10 mL) missing, 0.25 s cut boost",
        "0.24 s of full flow (3.10 mL) missing, 3.20 mL cut boost",
        "0.98 mL too much (limit 1.00)",
        "no spray is due at -0 kPa boost",
        "no spray is due at 68 kPa boost, it begins at 60 kPa",
    ],
)
def test_a_contradiction_would_be_seen(said: str) -> None:
    """What was said once, and its like, is found by what looks for it."""
    assert list(contradictions(said))


@pytest.mark.parametrize("name", FINDING_NAMES)
@pytest.mark.parametrize("units", [METRIC, US])
def test_a_reason_fits_the_smallest_screen(name: str, units: Units) -> None:
    """The reason has room in two rows of 80 columns, and what to check in one, to their ends."""
    drive, tracker = healthy(whole(), **CALM), EventTracker(whole())
    told = [turned for d in SHOWN[name][0](drive) for turned in tracker.feed(d)]
    said = [event.explanation for turn, event in told if event.finding == name]
    assert said
    for explanation in said:
        reason, colon, _ = units.sentence(explanation).rpartition(": ")
        assert colon
        assert wrapped(f"{reason}.", 78, 2) == wrapped(f"{reason}.", 78, 3), explanation
        assert not list(contradictions(explanation)), explanation
    check = f"Check first {FINDINGS[FINDING_NAMES.index(name)].check_first}"
    assert wrapped(check, 78, 1) == [check]


def told(decisions: list[Decision], finding: int, level: int, drive: Drive) -> str:
    """Explain the first decision in which a finding has this level."""
    first = next(d for d in decisions if d.level[finding] == level)
    return explain(drive.guard.rig, finding, first)


def reached(decisions: list[Decision], level: int) -> Decision:
    """Return the first decision in which missing spray has this level."""
    return next(d for d in decisions if d.level[st_.UNDER_DELIVERY] == level)


def because(facts: Rig, decision: Decision, cars: str) -> str:
    """Return the sentence up to what is missing, put together from the decision's own numbers."""
    d, digits = decision, 0 if cars == "no car" else 1
    limit_nats = constants_of(facts).limit_nats
    return (
        f"Evidence {d.evidence:.{digits}f} of {limit_nats:.{digits}f}: {cars} this rig "
        f"allows for would read {d.delivered_ml_min:.0f} of {d.expected_ml_min:.0f} mL/min for "
        f"{1000.0 * d.short_s:.0f} ms at 150 kPa boost; {d.debt_s:.2f} s of full flow "
        f"({d.debt_ml:.2f} mL) missing"
    )


def test_a_warning_and_a_pull_name_evidence_flows_time_and_what_is_missing() -> None:
    """Both notions in one sentence, then what is done; only of a pull is it said that no car would.

    A slow fade is warned of before timing is pulled.
    """
    facts = rig()
    decisions = healthy(facts).fade(Action.PULL_TIMING)
    warned, pulled = reached(decisions, 1), reached(decisions, 2)
    assert explain(facts, 0, warned) == f"{because(facts, warned, 'hardly a car')}: warn."
    assert explain(facts, 0, pulled) == (
        f"{because(facts, pulled, 'no car')}: pull {pulled.retard_deg:.1f} deg of timing."
    )
    debtless = altered(pulled, debt_ml=0.004)
    assert "; too early to say how much is missing: pull" in explain(facts, 0, debtless)
    # The numbers by hand: what is left of 500 mL/min, and no more time than the fade has lasted.
    (said,) = re.findall(r"read (\d+) of 500 mL/min for (\d+) ms", explain(facts, 0, pulled))
    index = decisions.index(pulled)
    assert float(said[0]) == pytest.approx(500.0 * (1.0 - 0.001 * index), abs=0.6)
    assert 0.0 < float(said[1]) <= 10.0 * (index + 1)


@pytest.mark.parametrize(
    ("debt", "share", "says"),
    [
        ({"cut_s": 0.3}, 0.0, ", 0.30 s cut boost"),
        ({"cut_s": 0.3, "cut_ml": 2.0}, 0.0, ", 2.00 mL cut boost"),
        ({"cut_s": inf, "cut_ml": 2.0}, 0.0, ", 2.00 mL cut boost"),
        ({"cut_s": inf}, 0.6, ", still so after 1.5 s of pulled timing"),
    ],
)
def test_a_cut_says_which_of_its_terms_it_is_for(
    debt: dict[str, float], share: float, says: str
) -> None:
    """By seconds of full flow, by volume, or as it outlasts the pull: each in its own words."""
    facts = rig(debt=debt)
    cut = reached(healthy(facts).run(3.0, share=share), 3)
    done = f"cut boost to 80 kPa and pull {cut.retard_deg:.1f} deg of timing"
    assert explain(facts, 0, cut) == f"{because(facts, cut, 'no car')}{says}: {done}."


def test_a_cut_for_want_of_timing_to_pull_says_so() -> None:
    """Where more timing is wanted than may be pulled, neither debt nor time is named for it."""
    facts = rig(ladder={"max_retard_deg": 5.0}, debt={"cut_s": inf})
    cut = reached(healthy(facts).run(1.0, share=0.0), 3)
    assert explain(facts, 0, cut) == (
        f"{because(facts, cut, 'no car')}, more than 5.0 deg of timing can take back: "
        "cut boost to 80 kPa and pull 5.0 deg of timing."
    )


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
    assert status(facts, out_of_boost) == "No action: no spray is commanded at 10 kPa boost."
    assert status(facts, drive.run(2.0)[-1]) == (
        "No action: 500 of 500 mL/min arrive at 150 kPa boost."
    )
    missing = drive.run(0.1, share=0.0)[-1]
    assert status(facts, missing) == (
        f"Pull 12.0 deg of timing: under-delivery, debt {missing.debt_s:.2f} s of full flow, "
        "next to nothing arrives."
    )
    some = healthy(facts).fail(0.6, share=0.6)[-1]
    assert status(facts, some) == (
        f"Pull 5.0 deg of timing: under-delivery, debt {some.debt_s:.2f} s of full flow, "
        "40 % of the spray missing."
    )
    blind = healthy(facts)
    text = status(facts, blind.run(1.0, delivered_ml_min=NAN)[-1])
    assert text == "Cut boost to 80 kPa and pull 12.0 deg of timing: signal lost."


def by_boost(*channels: str) -> Drive:
    """Return a car whose spray begins at 60 kPa and is judged by the best of some channels."""
    command = {"start_boost_kpa": 60.0, "full_boost_kpa": 120.0}
    charge = {"drop_k": 15.0, "rise_k": 33.0}
    seen = terms("boost_kpa", *channels)
    return Drive(of_kind(CommandKind.BOOST, command=command, channels=seen, charge_sensor=charge))


@pytest.mark.parametrize(
    ("witness", "reads", "begins"),
    [
        ("delivered_ml_min", 0.0, "No action: no spray is due"),
        ("line_kpa", 700.0, "No action, spray not judged: no spray is due"),
        ("intake_c", 40.0, "No action, spray not judged: no spray is due"),
    ],
)
def test_off_boost_it_says_from_where_on_spray_is_due(
    witness: str, reads: float, begins: str
) -> None:
    """Only a flow sensor is judged there: it alone shows spray that nobody asked for."""
    drive = by_boost(witness)
    said = status(drive.guard.rig, drive.run(1.0, boost_kpa=20.0, **{witness: reads})[-1])
    assert said == f"{begins} at 20 kPa boost, it begins at 60 kPa."


def test_with_little_due_line_pressure_tells_nothing() -> None:
    """No figure stands beside a reading that says nothing of the spray."""
    drive = by_boost("line_kpa")
    said = status(drive.guard.rig, drive.run(1.0, boost_kpa=75.0, line_kpa=700.0)[-1])
    assert said == (
        "No action, spray not judged: too little is due at 75 kPa boost, or too lately, for line "
        "pressure to tell."
    )
    hardly = drive.run(0.1, boost_kpa=60.5, line_kpa=700.0)[-1]
    assert "hardly any spray is due at 60 kPa boost" in status(drive.guard.rig, hardly)


def test_without_a_flow_sensor_what_is_missing_is_reckoned() -> None:
    """What arrives is not known: the sentence names the pressure, and what follows from it."""
    drive = by_boost("line_kpa")
    due_kpa = drive.run(1.0, boost_kpa=150.0, line_kpa=900.0)[-1].line_due_kpa
    fine = drive.run(1.0, boost_kpa=150.0, line_kpa=due_kpa)[-1]
    due = f"{due_kpa:.0f} kPa due"
    assert status(drive.guard.rig, fine) == (
        f"No action: line pressure {due_kpa:.0f} of {due} at 150 kPa boost."
    )
    gone = drive.run(0.3, boost_kpa=150.0, line_kpa=180.0)[-1]
    said = status(drive.guard.rig, gone)
    assert gone.action >= Action.PULL_TIMING
    percent = 100.0 * gone.missing_share
    assert f"line pressure 180 of {due}, {percent:.0f} % of the spray reckoned missing." in said
    closed = drive.run(0.1, boost_kpa=70.0, line_kpa=180.0)[-1]
    assert status(drive.guard.rig, closed).endswith("spray not judged now.")


def test_a_temperature_due_is_converted_with_the_reading() -> None:
    """Without a unit of its own it would stay in degrees Celsius beside one in Fahrenheit."""
    reading = altered(Decision(), value_intake_c=60.0, charge_due_c=40.0, boost_kpa=150.0)
    said = explain(by_boost("intake_c").guard.rig, st_.UNDER_DELIVERY, reading)
    assert "would read 60 degC in the intake (40 degC due) at 150 kPa boost" in said
    assert "140 °F in the intake (104 °F due)" in US.sentence(said)
