"""A slow source isn't called silent, and one that stops is, soon."""

from math import isnan

import pytest
from hypothesis import given
from hypothesis import strategies as some

from monitor.screen.picture import Link, Picture
from monitor.screen.spacing import LONGEST_WAIT_S, SILENT_S, Spacing
from tests.kit.screen_script import frame, hello

CALM = "No action: 500 of 500 mL/min arrive at 150 kPa boost."


def _slow(spacing_s: float, seconds: float) -> tuple[Picture, list[Link]]:
    """Feed frames 20 times a second whose count rises every ``spacing_s``; return the standings."""
    picture = Picture(0.0)
    picture.take(hello(), 0.0)
    stood = []
    for i in range(round(seconds * 20)):
        now_s = i * 0.05
        picture.take(frame(CALM, [], 1 + int(now_s / spacing_s + 1e-9)), now_s)
        if now_s > 2.0 * spacing_s + 0.1:
            stood.append(picture.link(now_s))
    return picture, stood


@pytest.mark.parametrize("spacing_s", [0.01, 0.1, 0.5, 1.0, 1.4])
def test_a_slow_source_does_not_flicker(spacing_s: float) -> None:
    """Once its spacing is known, a source that keeps it is live at every look."""
    picture, stood = _slow(spacing_s, 20.0)
    assert set(stood) == {Link.LIVE}
    assert picture.samples_a_second(20.0) == pytest.approx(1.0 / spacing_s, rel=0.15)


def test_a_slow_source_that_stops_is_silent_soon() -> None:
    """Twice its spacing after the last sample, never more than three seconds."""
    picture, _ = _slow(1.0, 20.0)
    for now_s in (20.0, 20.5, 21.0):
        picture.take(frame(CALM, [], 20), now_s)
        assert picture.link(now_s) is Link.LIVE
    picture.take(frame(CALM, [], 20), 21.2)
    assert picture.link(21.2) is Link.SILENT


@given(some.lists(some.floats(0.0, 1e3), min_size=2, max_size=40))
def test_patience_is_bounded(gaps_s: list[float]) -> None:
    """Whatever came, silence is told between half a second and three."""
    spacing, now_s = Spacing(), 0.0
    assert spacing.silent_after_s == SILENT_S
    assert isnan(spacing.rate)
    for count, gap_s in enumerate(gaps_s):
        now_s += gap_s
        spacing.heard(now_s, count)
        assert SILENT_S <= spacing.silent_after_s <= LONGEST_WAIT_S


def test_a_few_gaps_do_not_make_a_fast_source_slow() -> None:
    """Four long silences among the last nine spacings leave the patience as it was."""
    spacing, now_s = Spacing(), 0.0
    for count in range(20):
        now_s += 30.0 if count % 5 in (1, 3) else 0.05
        spacing.heard(now_s, count)
    assert spacing.silent_after_s == SILENT_S
