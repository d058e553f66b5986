"""A device's own clock: wraps made continuous, resets and steps told and left for the rules."""

from math import inf, isnan, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.device_time import ClockTurn, DeviceTime

MS = 1.0e-3
US = 1.0e-6


def follow(counts: list[float], tick_s: float = MS) -> tuple[list[float], list[str]]:
    """Return the times of counts that arrive as they were sent, and what the clock did."""
    clock = DeviceTime(tick_s)
    times = [clock.follow(count * tick_s) for count in counts]
    return times, [name for name, n in clock.turns.items() for _ in range(n)]


@pytest.mark.parametrize(("bits", "tick_s"), [(16, MS), (32, MS), (32, US)])
@pytest.mark.parametrize("step_s", [0.01, 0.25, 1.9])
def test_a_counter_that_wraps_goes_on(bits: int, tick_s: float, step_s: float) -> None:
    """Three wraps of 2**16 ms (65.5 s), 2**32 ms (49.7 d) or 2**32 us (71.6 min), step for step."""
    wrap = 2**bits
    step = round(step_s / tick_s)
    clock = DeviceTime(tick_s)
    for turn in range(1, 4):
        clock.follow(wrap // 2 * tick_s)  # the counter is on its way
        true = turn * wrap - 5 * step
        for _ in range(10):
            true += step
            time_s = clock.follow(true % wrap * tick_s)
            assert time_s == pytest.approx(true * tick_s, rel=1e-12)
        assert clock.turns == {"wrapped": turn}


def test_a_late_row_from_before_the_wrap() -> None:
    """Rows that change places over a wrap keep their own times."""
    times, turns = follow([65_500, 65_530, 4, 65_533, 14, 24])
    assert times == pytest.approx([65.5, 65.53, 65.54, 65.533, 65.55, 65.56])
    assert turns == ["wrapped"]


def test_a_late_row_is_no_turn() -> None:
    """Up to a second back is late, and left to the rules; the newest time stays."""
    times, turns = follow([5000, 4200, 5010])
    assert times == [5.0, 4.2, 5.01]
    assert turns == []


@pytest.mark.parametrize("tick_s", [1.0, MS, US])
def test_a_device_that_starts_again(tick_s: float) -> None:
    """Time that falls back to near nought is a reset: told, and not hidden."""
    times, turns = follow([n / tick_s for n in (40.0, 40.1, 0.02, 0.12)], tick_s)
    assert times == pytest.approx([40.0, 40.1, 0.02, 0.12])
    assert turns == ["reset"]


def test_a_clock_that_steps() -> None:
    """Back by a minute, ahead by a minute: told, and not hidden."""
    clock = DeviceTime()
    arrivals = {100.0: 0.0, 100.1: 0.1, 40.1: 0.2, 40.2: 0.3, 140.2: 0.4}
    found = []
    for raw_s, arrived_s in arrivals.items():
        assert clock.follow(raw_s, arrived_s) == raw_s
        found.append(clock.turn)
    assert found == [None, None, ClockTurn.BACK, None, ClockTurn.AHEAD]


def test_a_silence_is_no_step() -> None:
    """Where as much time passed here too, the wire was silent and the clock is right."""
    clock = DeviceTime()
    for raw_s, arrived_s in ((1.0, 101.0), (1.1, 101.1), (31.1, 131.3)):
        clock.follow(raw_s, arrived_s)
    assert clock.turns == {}


def test_without_arrivals_a_gap_is_a_gap() -> None:
    """In a file nobody knows whether the clock stepped ahead or the logger paused."""
    assert follow([1000, 1100, 61_100])[1] == []


def test_a_short_counter_is_left_alone() -> None:
    """65 536 us pass too quickly to be followed through a gap: that column can't be a time."""
    times, turns = follow([65_500, 30_000, 65_000, 1], US)
    assert times == pytest.approx([0.0655, 0.03, 0.065, 0.000001])
    assert turns == []


def test_no_time_stays_no_time() -> None:
    """What is not finite passes, and changes nothing."""
    times, turns = follow([1000, nan, inf, -inf, 1010])
    assert times[0] == 1.0
    assert isnan(times[1])
    assert times[2:] == [inf, -inf, 1.01]
    assert turns == []


@pytest.mark.parametrize("ppm", [-300.0, 0.0, 45.0, 20_000.0])
def test_drift_is_told_from_jitter(ppm: float) -> None:
    """Delays of up to 30 ms that come and go don't hide how fast the device's clock runs."""
    generator = np.random.default_rng(7)
    clock = DeviceTime()
    for i in range(30_000):
        true_s = 0.01 * i
        clock.follow(
            true_s * (1.0 + ppm * 1e-6), 500.0 + true_s + 0.002 + 0.03 * generator.random()
        )
    assert clock.drift_ppm == pytest.approx(ppm, abs=5.0)
    assert not clock.rate_is_wrong
    assert clock.turns == {}


@pytest.mark.parametrize("factor", [1000.0, 0.001, 1.5, 0.5])
def test_a_wrong_unit_is_seen(factor: float) -> None:
    """Milliseconds read as seconds, or the other way round, can't be a drift."""
    clock = DeviceTime()
    for i in range(3000):
        clock.follow(0.01 * i * factor, 50.0 + 0.01 * i)
    assert clock.rate_is_wrong


def test_drift_is_not_known_at_once() -> None:
    """Before some windows have passed, nothing is claimed."""
    clock = DeviceTime()
    for i in range(500):
        clock.follow(0.01 * i, 0.01 * i)
    assert isnan(clock.drift_ppm)
    assert not clock.rate_is_wrong


COUNTS = st.lists(
    st.one_of(
        st.integers(0, 2**16 - 1),
        st.integers(2**32 - 5000, 2**32 - 1),
        st.sampled_from([nan, inf, -inf, 1e300, -5, 0, 65_535, 65_530]),
    ),
    max_size=40,
)


@given(COUNTS, st.integers(1, 7), st.sampled_from([1.0, MS, US]))
def test_block_by_block_is_row_by_row(counts: list[float], size: int, tick_s: float) -> None:
    """A file gives the same times however it is cut into blocks."""
    raw = np.array(counts, dtype=float) * tick_s
    one, other = DeviceTime(tick_s), DeviceTime(tick_s)
    rows = [one.follow(value) for value in raw.tolist()]
    blocks = [
        value
        for at in range(0, len(raw), size)
        for value in other.follow_block(raw[at : at + size]).tolist()
    ]
    assert [repr(v) for v in blocks] == [repr(v) for v in rows]
    assert one.turns == other.turns or tick_s == 1.0


@given(COUNTS, st.floats(0.0, 10.0))
def test_arrival_changes_no_time(counts: list[float], pace: float) -> None:
    """The clock of arrival is only ever compared with: times come from the device alone."""
    with_arrival, without = DeviceTime(MS), DeviceTime(MS)
    for i, count in enumerate(counts):
        raw_s = count * MS
        assert repr(with_arrival.follow(raw_s, pace * i)) == repr(without.follow(raw_s))
