"""The cursor of a replay: where it stands after whatever was asked of it."""

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from monitor.review.decide_log import decide
from monitor.review.decided_log import Decided
from monitor.review.edit import edit
from monitor.review.player import RATES, Player
from tests.kit.recordings import BRINDLE
from tests.kit.replays import decided_of, driven, tiled, troubled

ROWS = 9500


@pytest.fixture(scope="module")
def decided(tmp_path_factory: pytest.TempPathFactory) -> Decided:
    """A log with a troubled clock, decided."""
    return decided_of(troubled(20_000)[:ROWS], tmp_path_factory.mktemp("log"))


@pytest.fixture(scope="module")
def even(tmp_path_factory: pytest.TempPathFactory) -> Decided:
    """A log of 24 s at 100 Hz without trouble, decided."""
    return decided_of(tiled(2400, "pump_stop"), tmp_path_factory.mktemp("even"))


def test_it_plays_at_its_rate_and_ends(even: Decided) -> None:
    """So many seconds of the log a second; at the end it stands, and starts again from there."""
    player = Player(even)
    assert (player.tick(5.0), player.playing) == (0, False)
    player.play(100.0)
    player.tick(101.0)
    assert player.time_s == pytest.approx(1.0)
    assert player.index == even.index_at(player.time_s)
    player.change_rate(1, 101.0)
    player.tick(102.0)
    assert player.rate == 2.0
    assert player.time_s == pytest.approx(3.0)
    player.pause(102.5)
    assert player.time_s == pytest.approx(4.0)
    assert player.tick(200.0) == player.index == even.index_at(player.time_s)
    player.toggle(300.0)
    player.tick(400.0)
    assert (player.index, player.time_s, player.playing) == (even.rows - 1, even.to_s, False)
    player.toggle(500.0)
    assert (player.index, player.playing) == (0, True)
    for _ in range(20):
        player.change_rate(-1, 500.0)
    assert player.rate == RATES[0] == 0.1
    for _ in range(20):
        player.change_rate(1, 500.0)
    assert player.rate == RATES[-1] == 50.0


def test_steps_and_jumps(even: Decided) -> None:
    """By rows it pauses, by seconds it plays on; it never leaves the log."""
    player = Player(even)
    player.play(0.0)
    assert player.step_s(1.0, 0.0) == even.index_at(1.0)
    playing = [player.playing]
    assert player.step_rows(3, 0.0) == even.index_at(1.0) + 3
    assert [*playing, player.playing] == [True, False]
    assert player.step_rows(-10_000, 0.0) == 0
    assert player.step_rows(-1, 0.0) == 0
    assert player.seek_row(even.rows - 1, 0.0) == even.rows - 1
    assert player.step_rows(1, 0.0) == even.rows - 1
    assert player.step_s(-1.0, 0.0) == even.index_at(even.to_s - 1.0)
    assert player.seek(1e9, 0.0) == even.rows - 1
    assert player.seek(float("nan"), 0.0) == even.rows - 1
    assert player.seek(-1e9, 0.0) == player.seek_row(0, 0.0) == 0
    assert player.seek_row(17, 0.0) == 17
    assert player.time_s == even.time_s(17)


def test_from_event_to_event(even: Decided) -> None:
    """Forward and back over rows with events, and over marks where they are given."""
    player = Player(even)
    rows = sorted(set(even.raised_at))
    assert len(rows) >= 2
    player.play(0.0)
    visited = []
    while (index := player.to_event(1, 0.0)) is not None:
        visited.append(index)
    assert visited == rows
    assert not player.playing
    back = []
    while (index := player.to_event(-1, 0.0)) is not None:
        back.append(index)
    assert back == rows[-2::-1]
    mark_s = 0.5
    player.seek_row(0, 0.0)
    assert player.to_event(1, 0.0, [mark_s]) == even.index_at(mark_s)
    assert player.to_event(-1, 0.0) is None


def test_a_long_gap_is_not_waited_for(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Twenty seconds without rows are jumped over, a short pause is not."""
    first = len(driven("healthy_pulls"))
    rows = tiled(first + 500, "healthy_pulls")
    assert rows[first, 0] - rows[first - 1, 0] == pytest.approx(20.0)
    decided = decided_of(rows, tmp_path_factory.mktemp("gap"))
    player = Player(decided)
    player.seek_row(first - 2, 0.0)
    player.play(0.0)
    player.tick(0.011)
    assert player.index == first
    assert player.time_s == decided.time_s(first)
    player.tick(0.111)
    assert player.time_s == pytest.approx(decided.time_s(first) + 0.1)


def test_it_goes_on_with_another_rig(even: Decided, decided: Decided) -> None:
    """What if: the cursor stays where it is; another log's deciding is refused."""
    player = Player(even)
    player.seek_row(1234, 0.0)
    player.play_on(decide(even.log, edit(BRINDLE, "debt.cut = 0.5 s")))
    assert player.tick(1.0) == 1234
    with pytest.raises(ValueError, match="another log"):
        player.play_on(decided)


ACTIONS = some.one_of(
    some.tuples(some.just("step_rows"), some.integers(-9000, 9000)),
    some.tuples(some.just("step_s"), some.floats(-1e4, 1e4)),
    some.tuples(some.just("seek"), some.floats()),
    some.tuples(some.just("seek_row"), some.integers(-10, ROWS + 10)),
    some.tuples(some.sampled_from(["change_rate", "to_event"]), some.sampled_from([1, -1])),
    some.tuples(some.sampled_from(["toggle", "tick", "play", "pause"])),
)


@settings(max_examples=60, suppress_health_check=list(HealthCheck))
@given(actions=some.lists(some.tuples(ACTIONS, some.floats(-0.1, 9.0)), max_size=30))
def test_whatever_is_asked_it_stands_on_a_row(decided: Decided, actions: Any) -> None:
    """Always a row of the log, the cursor's time at or behind it and before the next row's."""
    player, now_s = Player(decided), 0.0
    for (name, *arguments), passed_s in actions:
        now_s += passed_s
        before, playing = player.index, player.playing
        getattr(player, name)(*arguments, now_s)
        assert 0 <= player.index < ROWS
        assert decided.time_s(player.index) <= player.time_s <= decided.to_s
        if player.index < ROWS - 1:
            assert player.time_s <= decided.time_s(player.index + 1)
        assert player.rate in RATES
        if name == "tick":
            assert player.index >= before
            assert playing or player.index == before
