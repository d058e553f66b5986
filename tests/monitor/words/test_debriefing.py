"""What happened in a drive, in words, in the order of time."""

import msgspec

from monitor.attach.drilling import Did
from monitor.words.debriefing import By, called, costs, happened, traces_shown
from tests.kit.debriefings import debriefing


def test_what_happened_is_told_in_the_order_of_time() -> None:
    """The fault, its first sign, the guard, the trainee: each once."""
    found = happened(debriefing())
    assert [one.time_s for one in found] == sorted(one.time_s for one in found)
    fault, sign, guard, you = By
    assert [one.by for one in found] == [fault, sign, guard, guard, you, guard, you]
    assert found[1].words.startswith("first sign: line pressure reads ")
    assert [one.words for one in found if one.by is By.GUARD] == [
        "the guard warns",
        "the guard asks to pull timing",
        "the guard asks to cut boost",
    ]
    assert [one.words for one in found if one.by is By.YOU] == [
        "you call: pump, its voltage or its pressure",
        "you: lift the foot off the pedal",
    ]


def test_of_a_healthy_drive_nothing_is_told() -> None:
    """What never came has no time."""
    assert happened(debriefing(faulty=False)) == []


def test_a_call_is_told_with_what_would_have_been_right() -> None:
    """Right, half right, wrong, or none at all."""
    right = debriefing()
    assert called(right) == "Called: pump, its voltage or its pressure (right)."
    wrong = msgspec.structs.replace(right, called="split line", verdict="wrong")
    assert called(wrong) == "Called: split line (wrong; right: pump, its voltage or its pressure)."
    half = msgspec.structs.replace(right, called="engine side", verdict="half")
    assert called(half).startswith("Called: engine side (half right; right: ")
    assert called(debriefing(faulty=False)) == "Nothing was called; right: nothing is wrong."


def test_costs_are_told_against_the_drive_without_the_fault() -> None:
    """A row for each way of driving it; the work lost as a share of that one's."""
    rows = {row[0]: row[1:] for row in costs(debriefing())}
    assert list(rows) == ["as you drove", "the guard alone", "nobody acts", "without the fault"]
    assert rows["without the fault"][-1] == "0.0"
    assert float(rows["as you drove"][-1]) > float(rows["the guard alone"][-1]) > 5.0
    assert float(rows["nobody acts"][0]) > 2.0


def test_without_work_no_share_of_it_is_told() -> None:
    """A drive that was ended at once."""
    told = debriefing()
    still = [msgspec.structs.replace(one, work_kj=0.0) for one in told.outcomes]
    rows = list(costs(msgspec.structs.replace(told, outcomes=still)))
    assert {row[-1] for row in rows} == {"--"}


def test_readings_with_signs_are_shown_first() -> None:
    """Then what one watches anyway; no more than there is room for."""
    shown = [trace.channel for trace in traces_shown(debriefing(), 5)]
    assert shown[:3] == ["line_kpa", "intake_c", "delivered_ml_min"]
    assert len(shown) == 5
    healthy = [trace.channel for trace in traces_shown(debriefing(faulty=False), 3)]
    assert healthy == ["delivered_ml_min", "line_kpa", "boost_kpa"]


def test_words_of_others_can_steer_nothing() -> None:
    """A name with controls in it is shown without them."""
    did = [Did(1.0, "call", "x", "\x1b[31mred\nline")]
    told = msgspec.structs.replace(debriefing(), did=did, called="\x1b[2J", verdict="wrong")
    assert [one.words for one in happened(told) if one.by is By.YOU] == ["you call: [31mred line"]
    assert "\x1b" not in called(told)
