"""Samples are sent at the pace they were taken, and what goes away is one clear error."""

from math import inf
from typing import Any

import pytest

from monitor.send import paced
from monitor.send.paced import Lost, Target, send_paced
from rules.channels import Sample
from simulator.strict import BadInput

SAMPLES = [Sample(100.0 + 0.1 * i) for i in range(11)]


class Remembering(Target):
    """A target that remembers what it is asked to do, and goes away when told to."""

    name = "there"
    expected = "a target that stays"

    def __init__(self, lost_at: int | None = None) -> None:
        self.numbers: list[int] = []
        self.ends: list[str] = []
        self._lost_at = lost_at

    def send(self, sample: Sample, number: int) -> None:
        """Take it, or be gone."""
        if number == self._lost_at:
            raise Lost("the plug was pulled")
        self.numbers.append(number)

    def flush(self) -> None:
        """Remember that."""
        self.ends.append("flush")

    def close(self) -> None:
        """Remember that too."""
        self.ends.append("close")


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """A clock that goes on only while someone waits; what it shows."""
    shown = [50.0]

    class Waiter:
        def wait(self, for_s: float) -> None:
            shown[0] += for_s

    class Threading:
        Event = Waiter

    monkeypatch.setattr(paced, "threading", Threading)
    monkeypatch.setattr(paced, "now_s", lambda: shown[0])
    return shown


@pytest.mark.parametrize(("speed", "took_s"), [(1.0, 1.0), (2.0, 0.5), (0.0, 0.0), (inf, 0.0)])
def test_the_pace_is_the_samples_own(clock: list[float], speed: float, took_s: float) -> None:
    """A second of samples takes a second, at twice the speed half of one, or no time at all."""
    target = Remembering()
    assert send_paced(SAMPLES, target, speed) == 11
    assert clock[0] - 50.0 == pytest.approx(took_s)
    assert target.numbers == list(range(11))
    assert target.ends == ["flush", "close"]


def test_what_goes_away_is_named_with_how_far_it_came() -> None:
    """One line; and the target is closed."""
    target = Remembering(lost_at=4)
    said = r"there: lost after 4 samples \(the plug was pulled\), expected a target that stays"
    with pytest.raises(BadInput, match=said):
        send_paced(SAMPLES, target, inf)
    assert target.ends == ["close"]


def test_an_error_of_the_samples_closes_too() -> None:
    """What breaks while samples are made is no fault of the target's."""

    def broken() -> Any:
        yield SAMPLES[0]
        raise ZeroDivisionError

    target = Remembering()
    with pytest.raises(ZeroDivisionError):
        send_paced(broken(), target, inf)
    assert target.ends == ["close"]
