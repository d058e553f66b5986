"""How far long work is: on a terminal alone, and gone when it is done."""

import io
import sys

import pytest

from monitor.commands import progress as module
from monitor.commands.progress import Progress


class Terminal(io.StringIO):
    """A standard error that somebody looks at."""

    def isatty(self) -> bool:
        """Whether it is a terminal."""
        return True


@pytest.fixture
def now_s(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """A clock that stands where it is put."""
    at_s = [100.0]
    monkeypatch.setattr(module, "monotonic", lambda: at_s[0])
    return at_s


def test_it_tells_how_far_and_how_long(now_s: list[float], monkeypatch: pytest.MonkeyPatch) -> None:
    """Silent for a second, then a line that is written over, and taken away at the end."""
    monkeypatch.setattr(sys, "stderr", terminal := Terminal())
    progress = Progress()
    progress.tell("0 of 4 logs", 0.0, 1.0)
    assert terminal.getvalue() == ""
    now_s[0] += 10.0
    progress.tell("1 of 4 logs", 0.25, 0.75)
    assert terminal.getvalue() == f"\r{'1 of 4 logs, about 30 s left':<79}\r"
    now_s[0] += 0.01  # too soon for news
    progress.tell("1 of 4 logs", 0.26, 0.74)
    assert terminal.getvalue().count("\r") == 2
    now_s[0] += 1000.0
    progress.tell("2 of 4 logs", 0.5, 0.5)
    assert "2 of 4 logs, about 17 min left" in terminal.getvalue()
    progress.tell("done", 1.0, 0.0)
    assert terminal.getvalue().endswith(f"\r{' ' * 79}\r")
    length = len(terminal.getvalue())
    progress.clear()  # nothing stands there any more
    assert len(terminal.getvalue()) == length


def test_what_was_done_before_says_nothing_of_the_pace(
    now_s: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Work that goes on from half of it is no twice as fast."""
    monkeypatch.setattr(sys, "stderr", terminal := Terminal())
    progress = Progress(quiet_s=0.0)
    progress.tell("half", 50.0, 50.0)
    assert "left" not in terminal.getvalue()
    now_s[0] += 10.0
    progress.tell("more", 60.0, 40.0)
    assert "more, about 40 s left" in terminal.getvalue()


def test_where_nobody_looks_nothing_is_said(
    now_s: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    """A pipe gets no line."""
    progress = Progress(quiet_s=0.0)
    now_s[0] += 10.0
    progress.tell("half", 0.5, 0.5)
    progress.clear()
    assert capsys.readouterr() == ("", "")
