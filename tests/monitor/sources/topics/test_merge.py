"""Channels that come one by one, merged by time into samples."""

from monitor.sources.base import Arrival
from monitor.sources.topics.merge import HOLD_S, SKEW_S, Merger
from rules.channels import BOOST, DELIVERED, KNOCK, TANK, Sample

MS = 1_000_000


def feed(merger: Merger, *readings: tuple[int, float, float | None, int]) -> list[Arrival]:
    """Add readings: place, value, time in s (or None), arrival in ms."""
    return [
        done
        for place, value, time_s, at_ms in readings
        for done in merger.add(place, value, time_s, at_ms * MS)
    ]


def test_an_even_stream_waits_for_nothing() -> None:
    """From the third sample on, a row is given out with its last channel."""
    merger = Merger()
    for i in range(4):
        feed(merger, (BOOST, 1.0, 0.1 * i, 100 * i))
        done = feed(merger, (DELIVERED, 2.0, 0.1 * i, 100 * i + 1))
        assert len(done) == (1 if i >= 2 else 0)
    assert not merger.holding
    assert done == [
        Arrival(Sample(0.1 * 3, boost_kpa=1.0, delivered_ml_min=2.0), 301 * MS),
    ]


def test_a_missing_channel_holds_a_row_for_a_moment_only() -> None:
    """A row whose rest doesn't come is given out after the hold time."""
    merger = Merger()
    for i in range(3):
        feed(merger, (BOOST, 1.0, 0.1 * i, 100 * i), (DELIVERED, 2.0, 0.1 * i, 100 * i))
    assert feed(merger, (BOOST, 1.0, 0.3, 300)) == []
    assert merger.expire(300 * MS + int(HOLD_S * 0.9e9)) == []
    (late,) = merger.expire(300 * MS + int(HOLD_S * 1e9))
    assert late.sample == Sample(0.3, boost_kpa=1.0)


def test_a_slow_channel_joins_and_does_not_make_the_next_row_wait() -> None:
    """A tank level once a second is part of its row; the row after is complete without it."""
    merger = Merger()
    for i in range(4):
        done = feed(
            merger,
            *([(TANK, 4000.0, 0.1 * i, 100 * i)] if i == 2 else []),
            (BOOST, 1.0, 0.1 * i, 100 * i),
            (DELIVERED, 2.0, 0.1 * i, 100 * i),
        )
    assert done[-1].sample == Sample(0.1 * 3, boost_kpa=1.0, delivered_ml_min=2.0)
    assert not merger.holding


def test_a_lagging_channel_joins_the_newest_row() -> None:
    """Up to the skew a reading counts as of the newest row; older it keeps its own, late, time."""
    merger = Merger()
    feed(merger, (BOOST, 1.0, 1.0, 0))
    assert feed(merger, (DELIVERED, 2.0, 1.0 - 0.9 * SKEW_S, 1)) == []
    (row,) = merger.expire(10 * MS)
    assert row.sample == Sample(1.0, boost_kpa=1.0, delivered_ml_min=2.0)
    assert feed(merger, (KNOCK, 3.0, 1.0 - 0.5 * SKEW_S, 11)) == []
    (joined,) = merger.expire(20 * MS)
    assert joined.sample == Sample(1.0, knock=3.0)
    feed(merger, (KNOCK, 3.0, 1.0 - 3.0 * SKEW_S, 21))
    (late,) = merger.expire(30 * MS)
    assert late.sample.time_s == 1.0 - 3.0 * SKEW_S
    assert merger.skewed == 2


def test_a_clock_that_stepped_back_is_handed_on() -> None:
    """A minute back is no lag: the rules must see it, and what follows is in order again."""
    merger = Merger()
    rows = feed(merger, *((BOOST, 1.0, time_s, i) for i, time_s in enumerate((100.0, 40.0, 40.1))))
    assert [row.sample.time_s for row in rows] == [100.0, 40.0, 40.1]
    assert merger.skewed == 0


def test_without_times_a_row_has_the_arrival_of_its_first() -> None:
    """A channel that comes again begins the next row."""
    merger = Merger()
    done = feed(
        merger, (BOOST, 1.0, None, 1000), (DELIVERED, 2.0, None, 1002), (BOOST, 3.0, None, 1010)
    )
    assert done == [Arrival(Sample(1.0, boost_kpa=1.0, delivered_ml_min=2.0), 1002 * MS)]
