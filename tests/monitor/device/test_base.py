"""What an output was heard to say: changes alone, silence among them, and no end of chatter."""

import pytest

from monitor.device import base
from monitor.device.base import HELD, RELEASED, Change, Heard
from rules.facts import Action


def test_only_changes_are_kept() -> None:
    """Saying the same again is no news; what it says at a moment is what it said last."""
    heard = Heard()
    assert heard.says(9.0) is None
    for at_s, action in ((1.0, HELD), (2.0, HELD), (3.0, Action.WARN), (4.0, RELEASED)):
        heard.take(at_s, action)
    assert heard.changes(9.0) == [(1.0, HELD), (3.0, Action.WARN), (4.0, RELEASED)]
    assert heard.changes(3.5) == [(1.0, HELD), (3.0, Action.WARN)]
    assert [heard.says(at_s) for at_s in (0.5, 2.5, 3.0, 99.0)] == [
        *(None, HELD, Action.WARN, RELEASED)
    ]


def test_silence_releases_when_the_last_beat_has_run_out() -> None:
    """Not when it is noticed; and a beat after it holds again."""
    heard = Heard(silence_s=0.25)
    assert heard.changes(100.0) == []  # nothing was ever held
    for at_s in (1.0, 1.2, 1.45):
        heard.take(at_s, HELD)
    assert heard.changes(1.7) == [(1.0, HELD)]
    silent = Change(1.45 + 0.25, RELEASED)
    assert heard.changes(1.8) == [(1.0, HELD), silent]
    assert heard.changes(1.6) == [(1.0, HELD)]
    heard.take(5.0, HELD)
    heard.take(5.1, RELEASED)
    assert heard.changes(99.0) == [(1.0, HELD), silent, (5.0, HELD), (5.1, RELEASED)]


def test_an_output_that_chatters_is_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its changes are bounded, and that is told."""
    monkeypatch.setattr(base, "MOST_CHANGES", 10)
    heard = Heard()
    for i in range(10):
        heard.take(float(i), RELEASED if i % 2 else HELD)
    assert heard.fault == ""
    heard.take(10.0, HELD)
    assert "more than 10 changes" in heard.fault
    assert len(heard.changes(99.0)) == 10
