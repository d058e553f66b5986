"""Sentences that explain: whatever happens, the numbers in one agree with each other and fit."""

import re
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.words.literal import wrapped
from monitor.words.units import METRIC, US, Units
from rules.channels import NOT_SENT
from rules.events import EventTracker, Turn
from rules.explain import explain, status
from rules.facts import Action, Limit, Rig
from rules.findings import FINDINGS
from rules.guard import Guard
from rules.step import state as st_
from rules.step.state import FINDING_NAMES, Decision
from tests.kit.rigs import ESSENTIAL, NAN, Drive, healthy, rig, terms
from tests.rules.step.test_compiled import Floats, Stretch, rigs, stream, stretches
from tests.rules.step.test_watch import CALM, SHOWN
from tests.rules.step.test_watch import facts as whole

NUMBER = r"(-?[0-9]+(?:\.[0-9]+)?)"
SHARE = re.compile(rf"{NUMBER} of {NUMBER} mL/min arrive \({NUMBER} % missing\)")
# What is said to be more than, or less than, what: the first number to the second.
MORE = (
    rf"debt {NUMBER} mL passed the \w+ threshold of {NUMBER} mL",
    rf"arrears {NUMBER} mL \(.*\) passed their limit of {NUMBER} mL",
    rf"{NUMBER} \S+ has been above its limit of {NUMBER}",
    rf"knock {NUMBER} stays above its limit of {NUMBER}",
    rf"{NUMBER} mL beyond command and allowance \(limit {NUMBER}\)",
    rf"{NUMBER} kPa confirmed for a ceiling of {NUMBER} kPa",
    rf"no spray is commanded at {NUMBER} kPa boost, above {NUMBER} kPa",
)
LESS = (
    rf"next to nothing comes: {NUMBER} of {NUMBER} mL/min",
    rf"cools the charge by only {NUMBER} K, less than {NUMBER} K",
    rf"{NUMBER} of {NUMBER} deg of retard confirmed",
)


def contradictions(said: str) -> Iterator[str]:
    """Yield what in a sentence can't be so, rounding of its numbers allowed for."""
    yield from re.findall(r"(?<![\w.])-0(?:\.0+)?(?![\d.])", said)
    for arrive, due, missing in (map(float, found) for found in SHARE.findall(said)):
        rounding = 0.5 + 50.0 / due * (1.0 + arrive / due) if due else 100.0
        if abs(100.0 * (1.0 - arrive / due) - missing) > rounding + 1e-9:
            yield f"{arrive} of {due} is not {missing} % missing"
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


@settings(max_examples=150, deadline=None)
@given(facts=rigs, parts=stretches, seed=st.integers(0, 1000))
def test_a_sentence_agrees_with_itself(facts: Rig, parts: list[Stretch], seed: int) -> None:
    """Over any stream: shares fit their flows, and what passed a threshold is beyond it."""
    for said in sentences(facts, stream(parts, seed)):
        assert not list(contradictions(said)), said


@pytest.mark.parametrize(
    "said",
    [
        "235 of 701 mL/min arrive (33 % missing)",
        "687 of 669 mL/min arrive (56 % missing)",
        "debt 0.39 mL passed the warn threshold of 0.40 mL",
        "Next to nothing comes: 650 of 600 mL/min",
        "no spray expected at -0 kPa boost",
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
