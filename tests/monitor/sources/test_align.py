"""Ticks for silence: bounded, in order, and the same block by block as row by row."""

from itertools import pairwise
from math import inf, isnan, nan
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.sources.align import (
    HELD_BACK_S,
    LONGEST_GAP_S,
    MOST_TICKS,
    TICK_S,
    Aligner,
    GapFiller,
    ticks_between,
)
from rules.channels import ROW_WIDTH, Sample, tick
from rules.facts import Action
from tests.kit.batch import quick_guard
from tests.kit.rigs import rig

STEPS = st.one_of(
    st.sampled_from([0.0, 0.01, 0.1, 0.25, 0.2500001, 0.3, 1.0, 60.0, -0.01, -0.5, -1.5, -100.0]),
    st.floats(-5.0, 5.0),
)
ODD_TIMES = st.sampled_from([nan, inf, -inf, 1.7e308, -1.7e308, -(2.0**63), 2.0**43, 0.0])


@st.composite
def times(draw: st.DrawFn) -> list[float]:
    """Draw a log's times: mostly on, sometimes late, stepping, or no time at all."""
    found: list[float] = []
    now_s = draw(st.floats(-1e6, 1e6))
    for _ in range(draw(st.integers(0, 30))):
        now_s += draw(STEPS)
        found.append(draw(ODD_TIMES) if draw(st.integers(0, 9)) == 0 else now_s)
    return found


def rows_at(found: list[float]) -> Any:
    """Return rows of samples at these times, each recognisable."""
    rows = [Sample(time_s, boost_kpa=float(i)) for i, time_s in enumerate(found)]
    return np.array(rows).reshape(-1, ROW_WIDTH)


@given(times(), st.lists(st.integers(0, 7), min_size=1, max_size=30), st.booleans())
def test_blocks_give_what_rows_give(found: list[float], sizes: list[int], sort: bool) -> None:
    """However a log is cut into blocks, its ticks are those of row by row, bit for bit."""
    rows = rows_at(sorted(found) if sort else found)
    aligner = Aligner()
    expected = [row for line in rows.tolist() for row in aligner.admit(Sample(*line))]
    filler = GapFiller()
    filled: list[list[float]] = []
    at, turn = 0, 0
    while at < len(rows):
        size = sizes[turn % len(sizes)] + (turn % 2)
        block = filler.fill(rows[at : at + size])
        assert block.shape[1:] == (ROW_WIDTH,)
        filled += block.tolist()
        at += size
        turn += 1
    assert [repr(Sample(*row)) for row in filled] == [repr(row) for row in expected]
    kept = [row for row in filled if row[2] != -inf]
    assert [row[2] for row in kept] == rows[:, 2].tolist()  # every row, in order


@given(st.floats(allow_nan=True), st.floats(allow_nan=True))
def test_ticks_are_bounded_and_between(before_s: float, after_s: float) -> None:
    """Never more than a fixed number, never outside the gap, whatever the times."""
    ticks = ticks_between(before_s, after_s)
    assert len(ticks) <= MOST_TICKS
    assert all(before_s <= row.time_s < after_s for row in ticks)
    if not after_s - before_s > LONGEST_GAP_S:
        assert ticks == []


@given(st.floats(-1e5, 1e5), st.floats(0.2500001, 2.9))
def test_no_gap_is_left(before_s: float, gap_s: float) -> None:
    """Up to 3 s, no two rows stand further apart than the longest gap."""
    ticks = [row.time_s for row in ticks_between(before_s, before_s + gap_s)]
    assert ticks
    for one_s, next_s in pairwise([before_s, *ticks, before_s + gap_s]):
        assert 0.0 < next_s - one_s <= LONGEST_GAP_S


def test_ticks_by_hand() -> None:
    """Half a second of nothing: ticks a tenth apart, saying nothing."""
    rows = ticks_between(10.0, 10.45)
    assert [row.time_s for row in rows] == pytest.approx([10.1, 10.2, 10.3, 10.4])
    assert rows[0] == tick(rows[0].time_s)
    assert ticks_between(10.0, 10.25) == []


def test_a_late_row_moves_nothing_and_a_stepped_clock_starts_anew() -> None:
    """A row up to a second late leaves the newest time alone; a clock set back is followed."""
    aligner = Aligner()
    aligner.admit(Sample(100.0))
    assert aligner.admit(Sample(99.5)) == [Sample(99.5)]
    assert aligner.newest_s == 100.0
    assert aligner.admit(Sample(5.0)) == [Sample(5.0)]
    assert aligner.newest_s == 5.0


@pytest.mark.parametrize("time_s", [nan, inf, -inf])
def test_a_row_without_a_time_passes_as_it_is(time_s: float) -> None:
    """The rules count it; it puts in no ticks and moves no time."""
    aligner = Aligner()
    aligner.admit(Sample(1.0))
    (row,) = aligner.admit(Sample(time_s))
    assert isnan(row.time_s) or row.time_s == time_s
    assert aligner.newest_s == 1.0


def test_silence_ticks_until_the_next_reading() -> None:
    """Live: ticks come while nothing else does, dated a little back, always forwards."""
    aligner = Aligner()
    assert aligner.silence(5.0) == []  # before the first row there is nothing to be silent about
    aligner.admit(Sample(10.0), 0.0)
    assert aligner.silence(0.2) == []
    seen = [row.time_s for i in range(26, 200) for row in aligner.silence(0.01 * i)]
    assert seen[0] == pytest.approx(10.0 + TICK_S, abs=0.02)
    assert seen[-1] <= 10.0 + 1.99 - HELD_BACK_S + 1e-9
    assert all(0.0 < after - before <= LONGEST_GAP_S for before, after in pairwise(seen))
    assert aligner.admit(Sample(seen[-1] + 0.1), 2.0) == [Sample(seen[-1] + 0.1)]


def test_held_back_samples_are_not_late() -> None:
    """Samples a bridge held back and then hands over at once are newer than the tick for them."""
    aligner = Aligner()
    aligner.admit(Sample(10.0), 0.0)
    ticks = aligner.silence(0.26)
    assert ticks
    assert all(row.time_s < 10.26 - HELD_BACK_S + 1e-9 for row in ticks)


class Device:
    """A device read 50 times a second, live: its clock, the aligner, a guard."""

    def __init__(self) -> None:
        self.guard, self.aligner = quick_guard(rig()), Aligner()
        self.now_s = self.clock_s = 1000.0
        self.pace = 1.0
        self.healthy: list[bool] = []
        self.actions: set[Action] = set()

    def run(self, for_s: float, *, heard: bool = True) -> None:
        """Let time pass; the device is heard or not."""
        for i in range(round(for_s / 0.02)):
            self.now_s += 0.02
            self.clock_s += 0.02 * self.pace
            rows = self.aligner.silence(self.now_s) if i % 3 == 0 else []
            if heard:
                rows += self.aligner.admit(calm(self.clock_s, i), self.now_s)
            for row in rows:
                decision = self.guard.step(row)
                self.actions.add(Action(int(decision.action)))
                self.healthy.append(decision.judged)


def calm(time_s: float, i: int) -> Sample:
    """Return a reading of a car that cruises."""
    return Sample(
        time_s,
        boost_kpa=-40.0 + 0.1 * (i % 7),
        commanded_ml_min=0.0,
        delivered_ml_min=0.1 * (i % 5),
    )


@given(st.floats(0.05, 1.2), st.floats(0.95, 1.05))
def test_a_clock_set_back_a_little_is_followed(back_s: float, pace: float) -> None:
    """Whatever its clock lost, readings that go on are judged again once it is out of doubt."""
    device = Device()
    device.pace = pace
    device.run(2.0)
    device.clock_s -= back_s
    device.run(8.0)
    device.healthy.clear()
    device.run(1.0)
    assert all(device.healthy)


@given(st.floats(0.3, 1000.0), st.floats(0.9, 1.1), st.booleans())
@example(15.0, 0.98, True)
@example(400.0, 0.999, True)
def test_after_silence_a_slow_clock_is_followed(
    silent_s: float, pace: float, standing: bool
) -> None:
    """However long it was silent, slow or standing: all is well again within some seconds."""
    device = Device()
    device.pace = pace
    device.run(1.0)
    before_s = device.clock_s
    device.run(silent_s, heard=False)
    if standing:
        device.clock_s = before_s
    device.run(8.0)
    device.healthy.clear()
    device.run(1.0)
    assert all(device.healthy)


@given(st.floats(1.1, 1e6))
def test_one_garbled_time_ahead_trips_nothing(ahead_s: float) -> None:
    """It puts in no more silence than there was: the clock is in doubt, and nothing is done."""
    device = Device()
    device.run(1.0)
    device.clock_s += ahead_s
    device.run(0.02)
    device.clock_s -= ahead_s
    device.run(8.0)
    assert device.actions <= {Action.NO_ACTION, Action.WARN}


def test_ticks_go_on_behind_the_largest_time() -> None:
    """A plug pulled behind the last time that is one is noticed as well."""
    device = Device()
    device.clock_s = 2.0**43 - 3.0
    device.run(2.5)
    device.healthy.clear()
    device.run(5.0, heard=False)
    assert not device.healthy[-1]
