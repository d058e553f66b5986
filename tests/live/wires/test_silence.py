"""Whatever time was last read, a pulled plug is noticed: silence is counted by steady time."""

import json
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from math import inf, nan, ulp
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.broker.link import Message
from monitor.review.review import review
from monitor.source_facts import SourceStatistics
from monitor.sources.align import Aligner
from monitor.sources.lines.senml import resolve
from monitor.sources.lines.stream import StreamDecoder
from monitor.sources.lines.strict_numbers import NO_TIME, Rejected
from monitor.sources.topics.messages import ChannelTopics, MessageReader, SenmlTopic
from rules.channels import TICK_BOUND_S, TIME_BOUND_S, Sample, is_time
from rules.facts import Action
from rules.guard import Guard
from simulator.rig import RigFile, find_rig, load_rig
from tests.kit.rigs import rig

BRINDLE: Final[RigFile] = load_rig(find_rig("brindle"))
STEP_S: Final = 0.01
CHECK_S: Final = 0.05  # how often a loop looks for silence
# Seen from the plug pulled: max_age + blind_after + at most this (DEVELOPERS.md).
MOST_BEYOND_S: Final = 0.25
ODD: Final = (-(2.0**63), -1e300, 1e300, -1e308, 1.7e308, nan, inf, -inf, 2.0**42, -(2.0**42))
TIMES: Final = st.one_of(
    st.sampled_from(ODD),
    st.floats(),
    st.floats(-20.0, 20.0),
    st.floats(-1e13, 1e13),
)


def reading(time_s: float) -> Sample:
    """Return a healthy reading under boost: no spray is commanded, none arrives."""
    return Sample(time_s, boost_kpa=120.0, delivered_ml_min=0.0, commanded_ml_min=0.0)


def blind_after(last: list[float], start_s: float) -> float:
    """Read times at an even pace, pull the plug; return when blindness has acted, s after it.

    What a guard's loop does, on a clock of our own.

    Args:
        last: Times read at the end, behind half a second of good ones.
        start_s: Time of the first of those.
    """
    guard, aligner = Guard(FACTS), Aligner()
    now_s = 0.0
    read = [start_s + STEP_S * i for i in range(50)]
    decision = guard.decision()
    for time_s in (*read, *last):
        now_s += STEP_S
        for row in aligner.admit(reading(time_s), now_s):
            decision = guard.step(row)
    pulled_s = now_s
    while decision.action < Action.PULL_TIMING and now_s < pulled_s + 10.0:
        now_s += CHECK_S
        for row in aligner.silence(now_s):
            decision = guard.step(row)
    return now_s - pulled_s


FACTS: Final = replace(rig(), ladder=replace(rig().ladder, on_blind=Action.CUT_BOOST))
STATED_S: Final = 0.3 + FACTS.ladder.blind_after_s + MOST_BEYOND_S


@given(st.lists(TIMES, max_size=6), st.floats(-1e12, 1e12))
@example([], 0.0)
@example([-(2.0**63)], 0.0)
@example([-1e300], 1.7e9)
@example([0.49 - 0.9], 0.0)
@example([2.0**42 * 1.99], 0.0)
def test_a_pulled_plug_is_noticed_whatever_time_was_read(last: list[float], start_s: float) -> None:
    """Blindness acts within the stated time behind any times at all."""
    assert blind_after(last, start_s) <= STATED_S + 1e-9


@given(st.floats())
def test_a_time_is_fine_enough_to_move(time_s: float) -> None:
    """What counts as a time tells a millisecond apart, and nothing else does."""
    assert is_time(time_s) == (time_s == time_s and abs(time_s) < inf and ulp(time_s) <= 1e-3)


@given(st.lists(TIMES, min_size=1, max_size=20))
def test_the_rules_use_no_time_that_is_none(times: list[float]) -> None:
    """Such a row is late, and leaves the guard's time where it was."""
    guard = Guard(FACTS)
    before_s = guard.decision().time_s
    for time_s in times:
        decision = guard.step(reading(time_s))
        if not abs(time_s) < TICK_BOUND_S:
            assert decision.late
            assert decision.time_s == before_s
        before_s = decision.time_s


@given(TIMES, st.floats(0.25, 100.0))
def test_ticks_always_move_on(time_s: float, silent_s: float) -> None:
    """Silence behind any first time gives ticks that rise, as long as the silence at most."""
    aligner = Aligner()
    aligner.admit(reading(time_s), 0.0)
    found = aligner.silence(silent_s) + aligner.silence(silent_s + 0.2)
    if not is_time(time_s):
        assert found == []
        return
    times = [time_s, *(row.time_s for row in found)]
    assert all(before < after for before, after in pairwise(times))
    assert times[-1] - time_s <= silent_s + 0.2


# --- refused where it comes in, counted and told ------------------------------------------------


def _line(time: float) -> tuple[SourceStatistics, list[Sample], str]:
    statistics = SourceStatistics()
    decoder = StreamDecoder(BRINDLE, "wire", statistics)
    names = ",".join(["time_s", *BRINDLE.columns])
    cells = ",".join("1" for _ in BRINDLE.columns)
    decoder.decode(names.encode(), 0.0)
    samples: list[Sample] = []
    for _ in range(25):
        samples += decoder.decode(f"{time!r},{cells}".encode(), 1.0)
    return statistics, samples, " ".join(notice.text for notice in decoder.notices())


@given(TIMES)
def test_a_serial_line_without_a_usable_time_is_refused_and_told(time: float) -> None:
    """Counted by its reason; where nothing else comes, that is said."""
    statistics, samples, told = _line(time)
    if is_time(time):
        assert samples
        return
    assert not samples
    assert sum(statistics.rejected.values()) == 25
    if time == time and abs(time) < inf:
        assert statistics.rejected[NO_TIME] == 25
        assert NO_TIME in told


@pytest.mark.parametrize("time", [-1e308, 1e308, -1e300, 2.0**43, -(2.0**44)])
@pytest.mark.parametrize("key", ["t", "bt"])
def test_a_pack_without_a_usable_time_is_refused(time: float, key: str) -> None:
    """Relative to now or not, with a base time or without."""
    pack = json.dumps([{"n": "boost_kpa", "v": 1.0, key: time}]).encode()
    with pytest.raises(Rejected) as refused:
        resolve(pack, 100.0)
    assert refused.value.reason in (NO_TIME, "time ahead")


def _channels(time: float) -> tuple[MessageReader, Message]:
    return ChannelTopics("p", BRINDLE), Message("p/boost_kpa", f"1.0,{time!r}".encode(), False, 0)


def _senml(time: float) -> tuple[MessageReader, Message]:
    pack = json.dumps([{"n": "boost_kpa", "v": 1.0, "bt": time}]).encode()
    return SenmlTopic("p", BRINDLE), Message("p", pack, False, 0)


@pytest.mark.parametrize("make", [_channels, _senml])
@pytest.mark.parametrize("time", [-(2.0**63), -1e300, 1e300])
def test_a_message_without_a_usable_time_is_refused(
    make: Callable[[float], tuple[MessageReader, Message]], time: float
) -> None:
    """In either form; what came before and what comes after are news as ever."""
    reader, letter = make(time)
    with pytest.raises(Rejected) as refused:
        reader.read(letter)
    assert refused.value.reason in (NO_TIME, "time ahead")


def _csv(folder: Path, times: list[float]) -> Path:
    path = folder / "log.csv"
    rows = [",".join([repr(t), *("1" for _ in BRINDLE.columns)]) for t in times]
    path.write_text("\n".join([",".join(["time_s", *BRINDLE.columns]), *rows, ""]))
    return path


def _parquet(folder: Path, times: list[float]) -> Path:
    path = folder / "log.parquet"
    columns = {name: [1.0] * len(times) for name in BRINDLE.columns}
    pq.write_table(pa.table({"time_s": times, **columns}), path)
    return path


@pytest.mark.parametrize("write", [_csv, _parquet])
def test_rows_of_a_log_without_a_usable_time_are_left_out_and_counted(
    write: Callable[[Path, list[float]], Path], tmp_path: Path
) -> None:
    """The rest is judged as if they were not there."""
    good = [0.01 * i for i in range(100)]
    bad = [-(2.0**63), -1e300, 1e300, nan]
    found = review(write(tmp_path, [*good[:50], *bad, *good[50:]]), "brindle")
    assert found.rejected == {NO_TIME: len(bad)}
    assert (found.rows, found.span.from_s, found.span.to_s) == (100, 0.0, good[-1])
    assert found.events == review(write(tmp_path, good), "brindle").events


def test_the_bound_leaves_room_for_every_calendar() -> None:
    """Seconds since 1970 for 200 000 years are times."""
    assert is_time(200_000.0 * 365.25 * 86400.0)
    assert not is_time(TIME_BOUND_S)
