"""The one judging loop: however a log is cut, compiled or judged in short, it says the same."""

from functools import cache
from typing import Any

import numpy as np
import pytest

from monitor.review import judge
from monitor.review.edit import edit
from monitor.review.judge import Judge, Judged, run_rows
from monitor.review.log import Block
from rules.guard import Guard
from simulator import machine_code
from simulator.rig import rig_from_text
from simulator.strict import BadInput
from tests.kit.recordings import BRINDLE
from tests.kit.replays import LOWER, tiled


@cache
def rows() -> Any:
    """Return some minutes of two drives."""
    return tiled(3000)


def judged(size: int, made: Judge) -> list[Judged]:
    """Judge the rows in blocks of a size."""
    found = [
        made.take(Block(rows()[at : at + size], rows()[at : at + size]))
        for at in range(0, len(rows()), size)
    ]
    made.finish()
    return found


def plain(**options: float) -> Judge:
    """Return a judge of a log."""
    return Judge(BRINDLE, None, follows=False, compares=False, **options)  # type: ignore[arg-type]


def turns_of(found: list[Judged], size: int) -> list[tuple[int, str]]:
    """Return what happened to events, by the rows of the whole."""
    return [
        (number * size + turned.at, f"{turned.turn} {turned.event.finding}")
        for number, block in enumerate(found)
        for turned in block.turns
    ]


def test_where_compiling_pays(monkeypatch: pytest.MonkeyPatch) -> None:
    """For a long log; for a middling one where it is done already; for any once it is loaded."""
    kept: list[bool] = []
    monkeypatch.setattr(machine_code, "is_kept", lambda: bool(kept))
    monkeypatch.setattr(machine_code, "load", lambda: bool(kept))
    monkeypatch.setattr(machine_code, "keep", lambda: kept.append(True))
    monkeypatch.setattr(judge, "leave_mark", lambda loop: None)
    monkeypatch.setattr(judge._Loaded, "now", False)
    assert judge.worth_compiling(60_000)
    assert not judge.worth_compiling(59_999)
    run_rows(Guard(BRINDLE.rig), tiled(10), compiled=True)
    assert judge.worth_compiling(1)
    monkeypatch.setattr(judge._Loaded, "now", False)
    assert judge.worth_compiling(4_000)
    assert not judge.worth_compiling(3_999)
    kept.clear()
    assert not judge.worth_compiling(4_000)


@pytest.mark.parametrize("size", [1, 700, 3000])
def test_blocks_of_any_size_are_judged_alike(size: int) -> None:
    """Where a log is cut into blocks decides nothing."""
    whole, parts = plain(), plain()
    (one,), many = judged(3000, whole), judged(size, parts)
    assert one.decisions is not None
    together = np.concatenate([block.decisions for block in many if block.decisions is not None])
    assert together.tobytes() == one.decisions.tobytes()
    assert turns_of(many, size) == turns_of([one], 3000) != []
    assert parts.events == whole.events


def test_in_short_it_finds_the_same() -> None:
    """Where only changes are worked out, events and rows judged are those of all decisions."""
    full, short = plain(), plain(compiled=True)
    short.wants_all = False
    one, other = judged(1000, full), judged(1000, short)
    assert [block.decisions for block in other] == [None] * 3
    assert turns_of(one, 1000) == turns_of(other, 1000)
    assert full.events == short.events
    for a, b in zip(one, other, strict=True):
        assert a.judged.tolist() == b.judged.tolist()
        assert a.every.keys() == b.every.keys()
        assert all(np.array_equal(a.every[x], b.every[x], equal_nan=True) for x in a.every)
        assert np.array(a.state).tobytes() == np.array(b.state).tobytes()


def test_a_rig_that_was_changed_is_followed_or_not() -> None:
    """Followed, it judges on by the other rig; not followed, comparing ends there."""
    first = Block(rows()[:1500], rows()[:1500])
    other = edit(BRINDLE, LOWER)
    then = Block(rows()[1500:], rows()[1500:], rig_file=other)
    follows = Judge(BRINDLE, BRINDLE, follows=True, compares=False)
    assert follows.take(first).rig_file is BRINDLE
    assert follows.take(then).rig_file is other
    stays = Judge(BRINDLE, BRINDLE, follows=False, compares=True)
    decided = run_rows(Guard(BRINDLE.rig), rows()[:1500], compiled=False)[:, judge.DECIDED_AT]
    assert stays.take(Block(rows()[:1500], rows()[:1500], decided)).differs_at is None
    assert stays.compares
    assert stays.take(then).rig_file is BRINDLE
    assert not stays.compares


def test_the_first_row_that_differs_is_named() -> None:
    """NaN agrees with NaN; one bit more or less does not."""
    decided = run_rows(Guard(BRINDLE.rig), rows(), compiled=False)[:, judge.DECIDED_AT]
    decided[1234, 0] = np.nextafter(decided[1234, 0], np.inf)
    decided[2000, 0] += 1.0
    made = Judge(BRINDLE, BRINDLE, follows=True, compares=True)
    assert made.take(Block(rows(), rows(), decided)).differs_at == 1234


def test_behind_a_hole_without_a_state_nothing_is_compared() -> None:
    """A guard that missed rows begins afresh; with what it remembered it goes on."""
    guard = Guard(BRINDLE.rig)
    run_rows(guard, rows()[:1000], compiled=False)
    state = tuple(guard.state())
    rest = rows()[1000:]
    straight = run_rows(guard, rest, compiled=False)
    for hole, compares in ((state, True), ((), False)):
        made = Judge(BRINDLE, BRINDLE, follows=True, compares=True)
        found = made.take(Block(rest, rest, straight[:, judge.DECIDED_AT], hole=hole))
        assert made.compares is compares
        assert found.decisions is not None
        assert (found.decisions.tobytes() == straight.tobytes()) is compares


def test_a_rig_that_no_guard_could_have_changed_to_is_bad_input() -> None:
    """Another delay does not fit what is remembered."""
    text = BRINDLE.text.replace('transport_delay = "80 ms"', 'transport_delay = "90 ms"')
    other = rig_from_text(text, "car.toml")
    made = Judge(BRINDLE, BRINDLE, follows=True, compares=False)
    with pytest.raises(BadInput, match=r"car\.toml: found another flow sensor"):
        made.take(Block(rows(), rows(), rig_file=other))
