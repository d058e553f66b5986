"""A time that somebody types: understood or refused in one line."""

import pytest
from hypothesis import given
from hypothesis import strategies as some

from monitor.screen.replay.go_to import goal
from monitor.words.times import clock_words
from simulator.strict import BadInput

TEXT = some.text(max_size=60)


@given(TEXT)
def test_whatever_is_typed_for_a_time_is_understood_or_refused(typed: str) -> None:
    """Nothing else comes out than a moment, an event, a cursor, or one line."""
    told, found = "", None
    try:
        found = goal(typed)
    except BadInput as error:
        told = str(error)
    if found is None:
        assert told.startswith(("found ", "expected "))
        assert "\n" not in told
        assert len(told) < 200
    else:
        assert found.event or found.cursor or abs(found.time_s) < 1e13


@given(some.floats(-1e6, 1e6))
def test_a_time_shown_as_minutes_reads_back(time_s: float) -> None:
    """What the screen shows of a time can be typed, to the hundredth."""
    words = clock_words(abs(time_s))
    assert goal(words).time_s == pytest.approx(abs(time_s), abs=0.0051)


def test_minutes_count_from_the_start_where_the_axis_is_a_clock() -> None:
    """Seconds since 1970 are nobody's minutes."""
    assert goal("0:41", 1.7e9).time_s == 1.7e9 + 41.0
    assert goal("0:41", 5.0).time_s == 46.0
    assert goal("0:41", 0.5).time_s == 41.0  # it counts from its start already
    assert goal("+0:41", 1.7e9).relative
    assert goal("1:00:41.5").time_s == 3641.5
