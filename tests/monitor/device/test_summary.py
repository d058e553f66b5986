"""Percentiles by nearest rank, never among them; words and JSON of the same figures."""

from dataclasses import replace
from math import inf

import pytest

from monitor.device.fake import FakeEar
from monitor.device.summary import Summary, run_as_json, within_s
from monitor.device.trial import DeviceRun, FaultAnswer


@pytest.mark.parametrize(
    ("share", "expected"), [(0.05, 15.0), (0.3, 20.0), (0.4, 20.0), (0.5, 35.0), (1.0, 50.0)]
)
def test_nearest_rank(share: float, expected: float) -> None:
    """The example of the nearest-rank method in Wikipedia's "Percentile" (from memory)."""
    assert within_s([35.0, 20.0, 15.0, 50.0, 40.0], share) == expected


def test_ninety_nine_of_a_hundred() -> None:
    """One that never came in a hundred is the worst alone; two in a hundred, the 99th too."""
    delays_s = [0.01 * i for i in range(1, 101)]
    assert within_s(delays_s, 0.99) == pytest.approx(0.99)
    assert within_s([*delays_s[:-1], inf], 0.99) == pytest.approx(0.99)
    assert within_s([*delays_s[:-2], inf, inf], 0.99) == inf


def made(*pulls_s: float, held: bool = True, false_answers: int = 0) -> Summary:
    """Return a summary of runs in which a fault was answered after these times."""
    summary = Summary(FakeEar("CTS of x"))
    for i, pull_s in enumerate(pulls_s):
        answer = FaultAnswer("sensor_stuck boost_kpa", 5.0, 0.004, held, pull_s, pull_s, pull_s)
        summary.runs.append(DeviceRun(i, i + 7, (answer,), false_answers, 5.0, 0.001))
    return summary


def test_words_and_json_say_the_same() -> None:
    """How many answered, and how soon, from both; never is a word, and null."""
    summary = made(0.1, 0.3, inf)
    lines = list(summary.in_words())
    assert lines[0] == "3 runs, listening to CTS of x"
    assert lines[1] == "  sensor stuck boost kpa: began in 3 runs"
    assert lines[3].split() == [
        *("let", "go,", "from", "the", "sample", "sent", "2/3"),
        *("0.300", "s", "never", "never", "never"),
    ]
    assert "0.304 s" in lines[4]
    assert "let go with no fault there: 0 in 15.0 s" in lines[5]
    assert "not a car's" in lines[6]
    facts = summary.as_json()
    (fault,) = facts["faults"]
    assert (fault["fault"], fault["began"], fault["held"]) == ("sensor_stuck boost_kpa", 3, 3)
    assert fault["cut_s"]["answered"] == 2
    assert fault["cut_s"]["from_sent"] == {
        "p50_s": 0.3,
        "p95_s": None,
        "p99_s": None,
        "worst_s": None,
    }
    assert fault["cut_s"]["from_onset"]["p50_s"] == pytest.approx(0.304)
    assert "warn_s" not in fault  # an output that lets go doesn't tell
    assert run_as_json(summary.runs[2])["answers"][0]["pull_s"] is None


def test_an_output_that_tells_has_a_row_for_each_action() -> None:
    """Warn, pull and cut."""
    summary = Summary(FakeEar("state", tells_action=True))
    answer = FaultAnswer("pump_stop", 5.0, 0.004, True, 0.1, 0.2, inf)
    summary.runs.append(DeviceRun(0, 1, (answer,), 0, 5.0, 0.0))
    text = "\n".join(summary.in_words())
    for row in ("warn, from the sample", "pull timing, from the sample", "cut boost, from the"):
        assert row in text
    assert list(summary.as_json()["faults"][0])[3:] == ["warn_s", "pull_s", "cut_s"]
    assert summary.all_answered


def test_what_is_not_answered_fails() -> None:
    """Never, not held, or let go without a fault: each is told, and none passes."""
    assert made(0.1, 0.2).all_answered
    assert not made(0.1, inf).all_answered
    unheld = made(inf, held=False)
    assert not unheld.all_answered
    assert "in 1 the output was not held then" in "\n".join(unheld.in_words())
    assert unheld.as_json()["faults"][0]["cut_s"]["from_sent"] is None
    assert made(0.1, 0.2, false_answers=1).false_answers == 2


def test_a_machine_that_was_busy_is_told() -> None:
    """What was let go while samples came late may be the bench's doing."""
    summary = made(0.1, 0.2, false_answers=1)
    summary.runs[1] = replace(summary.runs[1], late_s=0.25)
    text = "\n".join(summary.in_words())
    assert "let go with no fault there: 2 (1 where this machine sent late) in 10.0 s" in text
    assert "samples were sent up to 0.250 s late in 1 run, this machine being busy" in text


def test_nothing_done_yet() -> None:
    """Ctrl-C in the first run: no table, no error."""
    assert next(Summary(FakeEar("x")).in_words()) == "0 runs, listening to x"
    assert Summary(FakeEar("x")).as_json()["faults"] == []
