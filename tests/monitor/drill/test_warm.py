"""Rides run compiled where that is at hand, and a class never waits for a compiler."""

import pytest

from monitor.drill import warm


def test_a_cold_class_has_another_process_compile(monkeypatch: pytest.MonkeyPatch) -> None:
    """It goes on interpreted; the next class finds what that process made."""
    started: list[str] = []
    monkeypatch.setattr(warm, "is_warm", lambda: False)
    monkeypatch.setattr(warm, "warm_elsewhere", started.append)
    assert warm.load() is False
    assert started == ["monitor.drill.warm"]


def test_what_is_on_the_disk_is_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A ride then runs compiled at once."""
    monkeypatch.setattr(warm, "is_warm", lambda: True)
    monkeypatch.setattr(warm, "is_on_disk", lambda _: True)
    assert warm.load() is True
