"""Sentences that explain: whatever happens, the numbers in one agree with each other and fit."""

import re
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.words.literal import wrapped
from monitor.words.units import METRIC, US, Units
from rules.events import EventTracker, Turn
from rules.explain import status
from rules.facts import Rig
from rules.findings import FINDINGS
from rules.guard import Guard
from rules.step.state import FINDING_NAMES
from tests.kit.rigs import healthy
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
