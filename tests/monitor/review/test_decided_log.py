"""Any row of a log, decided again, is what a guard that ran through all of it says there."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

import monitor.review.decided_log as decided_module
from monitor.attach.protocol import TRACE, TRACE_AT
from monitor.recorder import layout
from monitor.review.decide_log import decide
from monitor.review.decided_log import Decided
from monitor.review.edit import edit
from monitor.review.log import Stopped, open_log
from monitor.review.review import review
from monitor.review.window import LONGEST_JOIN_S
from rules.channels import COLUMN_OF, TIME
from rules.guard import Guard
from rules.step.state import Decision
from simulator.strict import BadInput
from tests.kit.decisions import matrix_of
from tests.kit.recordings import BRINDLE, DECIDED_AT, read
from tests.kit.replays import LOWER, decided_of, driven, log_of, opened, session_of, tiled, troubled

ROWS = 20_000
EDGES = (0, 1, 2, 3, 8191, 8192, 8193, 16383, 16384, ROWS - 1)
INDEX = some.one_of(some.sampled_from(EDGES), some.integers(0, ROWS - 1))
OFTEN = settings(max_examples=60, suppress_health_check=list(HealthCheck))


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Decided:
    """A log with a troubled clock, decided."""
    return decided_of(troubled(ROWS), tmp_path_factory.mktemp("log"))


@pytest.fixture(scope="module")
def straight(before: Decided) -> Any:
    """What one guard decides on it, row after row."""
    return Guard(BRINDLE.rig).run_rows(before.log.rows)


@pytest.fixture(scope="module")
def axis_s(before: Decided) -> Any:
    """Where each row stands on the axis."""
    return np.array([before.time_s(i) for i in range(ROWS)])


@OFTEN
@given(index=INDEX)
def test_a_row_is_decided_as_in_a_straight_run(before: Decided, straight: Any, index: int) -> None:
    """Bit for bit, over the edges of pieces, late rows, lost times and clock steps."""
    assert matrix_of([before.decision(index)]).tobytes() == straight[index].tobytes()


def test_by_another_rig_too(before: Decided) -> None:
    """What if: the same rows, other decisions, again those of a straight run."""
    other = edit(BRINDLE, LOWER, "ladder.margin = 1.5")
    after = decide(before.log, other, compiled=True)
    expected = Guard(other.rig).run_rows(before.log.rows)
    assert after.decisions(0, ROWS).tobytes() == expected.tobytes()
    for index in EDGES:
        assert matrix_of([after.decision(index)]).tobytes() == expected[index].tobytes()
    assert before.decisions(0, ROWS).tobytes() != expected.tobytes()


def test_a_short_log_is_decided_row_by_row_and_the_same(before: Decided, straight: Any) -> None:
    """No compiler is waited for; what was decided is kept rather than decided again."""
    after = decide(before.log, compiled=False)
    assert after.decisions(0, ROWS).tobytes() == straight.tobytes()
    assert [turn.index for turn in after.turns] == [turn.index for turn in before.turns]
    assert all(piece.decisions is not None for piece in after.pieces)
    assert all(piece.decisions is None for piece in before.pieces)


def test_rows_there_are_not(before: Decided) -> None:
    """Before the first and behind the last is nothing."""
    for index in (-1, ROWS):
        with pytest.raises(IndexError, match="expected 0 to 19999"):
            before.decision(index)


def test_time_never_falls_and_is_the_clock_s_own_until_that_steps_back(
    before: Decided, straight: Any, axis_s: Any
) -> None:
    """The axis stands where the clock steps back, and runs on as fast as the clock does."""
    assert (np.diff(axis_s) >= 0.0).all()
    times = Decision.named(straight)["time_s"]
    back = np.flatnonzero(np.diff(times[3:]) < -1.0) + 4
    assert back.tolist() == [9000, 16384]
    assert axis_s[3:9000].tobytes() == times[3:9000].tobytes()
    assert axis_s[0] == axis_s[3]  # lost times at the start are shown where the first known one is
    steps = np.diff(axis_s)
    assert steps[8999] == steps[16383] == 0.0
    forward = np.diff(times) >= 0.0
    assert np.allclose(steps[3:], np.where(forward, np.diff(times), 0.0)[3:], atol=1e-9)
    assert before.shift_s(8999) == 0.0
    assert before.shift_s(9000) == pytest.approx(times[8999] - times[9000])
    assert (before.from_s, before.to_s) == (axis_s[0], axis_s[-1])


@OFTEN
@given(data=some.data())
def test_the_row_at_a_time(before: Decided, axis_s: Any, data: Any) -> None:
    """The last row at or before it; never falls with the time; NaN is the start."""
    near = some.sampled_from(axis_s.tolist()).flatmap(
        lambda t: some.sampled_from([t, np.nextafter(t, -1e9), np.nextafter(t, 1e9)])
    )
    anywhere = some.floats(before.from_s - 10.0, before.to_s + 10.0)
    first, second = sorted([data.draw(near | anywhere), data.draw(near | anywhere)])
    expected = int(np.searchsorted(axis_s, first, side="right")) - 1
    assert before.index_at(first) == max(0, expected)
    assert before.index_at(first) <= before.index_at(second)
    assert before.index_at(float("nan")) == 0
    start, end = before.rows_between(first, second)
    within = np.flatnonzero((axis_s >= first) & (axis_s <= second))
    assert list(range(start, end)) == within.tolist()


def test_a_short_stretch_is_drawn_row_by_row(before: Decided, straight: Any) -> None:
    """The trace of a guard, and what isn't healthy isn't shown."""
    from_s, to_s = before.time_s(8000), before.time_s(8400)
    window = before.trace(from_s, to_s, 200)
    last = before.index_at(to_s)
    first = before.index_at(from_s)
    assert len(window) == last + 1 - first
    for name, at in zip(TRACE[1:], TRACE_AT[1:], strict=True):
        channel = name.removeprefix("value_")
        expected = straight[first : last + 1, at].copy()
        if name in {"boost_kpa", "delivered_ml_min"} or name.startswith("value_"):
            health = Decision.named(straight)["health"][first : last + 1, COLUMN_OF[channel]]
            expected[health != 0.0] = np.nan
        assert np.array_equal(window.column(name), expected, equal_nan=True), name
        assert np.array_equal(window.newest(name), expected[-1], equal_nan=True)
    assert np.isnan(window.column("value_boost")).all()
    since = window.column("time_s", before.time_s(8300))
    assert since[0] < before.time_s(8300) <= since[1]


@OFTEN
@given(index=some.integers(9000, ROWS - 1), columns=some.integers(1, 60))
def test_no_spike_is_lost_in_a_long_stretch(
    before: Decided, straight: Any, axis_s: Any, index: int, columns: int
) -> None:
    """Lowest and highest of every column are those of the rows; nothing behind the edge shows."""
    window = before.trace(before.from_s, float(axis_s[index]), columns)
    last = before.index_at(float(axis_s[index]))
    assert len(window) < last
    times = window.column("time_s")
    assert (np.diff(times) >= 0.0).all()
    assert times[-1] <= axis_s[index]
    for name in ("retard_deg", "debt_s", "evidence", "expected_ml_min"):
        values = straight[: last + 1, TRACE_AT[TRACE.index(name)]]
        drawn = window.column(name)
        assert np.nanmin(drawn) == values.min()
        assert np.nanmax(drawn) == values.max()
        assert window.newest(name) == values[-1]


def test_no_spike_is_lost_at_the_right_edge(
    before: Decided, straight: Any, axis_s: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The group that the edge cuts shows what is before the edge, and all of that."""
    monkeypatch.setattr(decided_module, "FEWEST_IN_GROUPS", 0)
    values = straight[:, TRACE_AT[TRACE.index("expected_ml_min")]]
    highest = np.maximum.accumulate(values)
    falls = np.flatnonzero((values[1:] < highest[:-1]) & (highest[:-1] == values[:-1]))
    peaks = [i for i in falls.tolist() if i > 130 and i % 64 < 62][:20]
    assert len(peaks) >= 3
    for peak in peaks:
        window = before.trace(before.from_s, float(axis_s[peak + 1]), 1)
        assert len(window) < peak
        assert np.nanmax(window.column("expected_ml_min")) == highest[peak]


def test_a_gap_stays_a_gap_and_neighbours_touch(before: Decided) -> None:
    """Groups are joined where rows are near each other, and only there."""
    window = before.trace(before.from_s, before.to_s, 10)
    times, boost = window.column("time_s"), window.column("boost_kpa")
    low, high = boost[0::2], boost[1::2]
    starts = times[0::2]
    apart = np.diff(starts) > 5.0
    assert apart.any()
    near = np.diff(starts) < LONGEST_JOIN_S + 0.5
    with np.errstate(invalid="ignore"):
        parted = (low[:-1] > high[1:]) | (high[:-1] < low[1:])
    assert not parted[near].any()
    assert parted[apart].any()


def test_a_stretch_without_rows(before: Decided) -> None:
    """Nothing to draw before the first row, nor where the edges are crossed."""
    for from_s, to_s in ((-9.0, before.from_s - 1.0), (5.0, 4.0), (float("nan"), 5.0)):
        window = before.trace(from_s, to_s, 100)
        assert len(window) == len(window.column("debt_s")) == 0
        assert np.isnan(window.newest("debt_s"))


def test_the_same_events_as_a_review(tmp_path: Path) -> None:
    """A log with ticks put in: rows, events and span as ``review`` has them."""
    path = log_of(troubled(ROWS), tmp_path / "log.csv")
    text = path.read_text(encoding="ascii").replace("\r\n", "\n").splitlines()
    path.write_text("\n".join(line.rpartition(",")[0] for line in text), encoding="ascii")
    said = review(path, "brindle")
    decided = decide(open_log(path, "brindle"))
    assert decided.rows > said.rows
    assert decided.events == said.events
    assert decided.reproduced is None
    assert len(said.events) > 1


def test_a_session_with_another_rig_on_the_way(tmp_path: Path) -> None:
    """Judged by each rig while it was in force, and reproduced; asked for, by one throughout."""
    other = edit(BRINDLE, LOWER)
    session = session_of(tmp_path, other=other)
    log = open_log(session)
    decided = decide(log)
    rows, then, _ = read(session)
    assert log.rows.tobytes() == rows.tobytes()
    assert decided.reproduced is True
    assert decided.decisions(0, decided.rows)[:, DECIDED_AT].tobytes() == then.tobytes()
    assert decided.rig_at(1199) == BRINDLE.rig
    assert decided.rig_at(decided.rows - 1) == other.rig != BRINDLE.rig
    said = review(session, None)
    assert decided.events == said.events
    throughout = decide(log, other)
    assert throughout.reproduced is None
    expected = Guard(other.rig).run_rows(rows)
    assert throughout.decisions(0, len(rows)).tobytes() == expected.tobytes()
    assert decide(log).reproduced is True  # still known


def test_a_session_with_a_hole(tmp_path: Path) -> None:
    """Behind a hole it is judged on by what the guard remembered; by another rig, afresh."""
    session = session_of(tmp_path, segment_rows=500)
    (session / layout.segment_name(2)).unlink()
    log = open_log(session)
    decided = decide(log)
    rows, then, _ = read(session)
    assert list(log.holes) == [500]
    assert log.cut is not None
    assert decided.reproduced is True
    assert decided.decisions(0, len(rows))[:, DECIDED_AT].tobytes() == then.tobytes()
    other = edit(BRINDLE, LOWER)
    again = decide(log, other)
    expected = [Guard(other.rig).run_rows(part) for part in (rows[:500], rows[500:])]
    assert again.decisions(0, len(rows)).tobytes() == np.concatenate(expected).tobytes()
    said = review(session, None)
    assert decided.events == said.events


def test_a_session_that_does_not_reproduce(tmp_path: Path) -> None:
    """The first row that differs is named, as a review does."""
    session = session_of(tmp_path)
    rig = session / layout.RIG
    rig.write_text(edit(BRINDLE, LOWER).text, encoding="utf-8")
    decided = decide(open_log(session))
    assert decided.reproduced is False
    assert decided.differs_at is not None
    said = review(session, None)
    assert decided.log.rows[decided.differs_at, TIME] == said.differs_at_s


def test_a_long_log_goes_to_a_file(tmp_path: Path) -> None:
    """Past the memory it may use, rows are in a temporary file: the same rows."""
    rows = tiled(3000)
    kept = opened(rows, tmp_path)
    on_disk = open_log(kept.path, "brindle", most_in_memory=9999)
    assert decide(kept).decisions(0, 3000).tobytes() == decide(on_disk).decisions(0, 3000).tobytes()
    assert [isinstance(log.rows, np.memmap) for log in (kept, on_disk)] == [False, True]
    assert kept.rows.tobytes() == on_disk.rows.tobytes() == rows.tobytes()
    on_disk.close()
    assert not on_disk.is_read


def test_stopping_and_progress(tmp_path: Path) -> None:
    """Stopped while it reads or decides, the log is as before and can be decided later."""
    log = opened(tiled(ROWS), tmp_path)
    with pytest.raises(Stopped):
        decide(log, stop=lambda: True)
    assert not log.is_read
    heard: list[float] = []
    decided = decide(log, progress=heard.append)
    assert heard == sorted(heard)
    assert heard[-1] == 1.0
    asked = iter((False, True))
    with pytest.raises(Stopped):
        decide(log, stop=lambda: next(asked))
    assert list(asked) == []
    assert decided.decision(5).time_s == driven()[5, TIME] - driven()[0, TIME]


def test_what_can_t_be_opened(tmp_path: Path) -> None:
    """One line says what was found, as for a review."""
    with pytest.raises(BadInput, match="found no such file"):
        open_log(tmp_path / "none.csv", "brindle")
    with pytest.raises(BadInput, match="found no --rig"):
        open_log(log_of(driven()[:50], tmp_path / "log.csv"))
    with pytest.raises(BadInput, match="found a folder but no session"):
        open_log(tmp_path, "brindle")
    log = open_log(session_of(tmp_path / "session"))
    with pytest.raises(ValueError, match="not read"):
        _ = log.rows


def test_a_session_by_a_rig_that_is_asked_for(tmp_path: Path) -> None:
    """The same text reproduces it; where the rig was changed on the way, there is no comparing."""
    same = decide(open_log(session_of(tmp_path / "same"), "brindle"))
    assert same.reproduced is True
    session = session_of(tmp_path / "changed", other=edit(BRINDLE, LOWER))
    throughout = decide(open_log(session, "brindle"))
    assert throughout.reproduced is None
    assert throughout.rig_file_at(throughout.rows - 1) is throughout.rig_file_at(0)
    expected = Guard(BRINDLE.rig).run_rows(throughout.log.rows)
    assert throughout.decisions(0, throughout.rows).tobytes() == expected.tobytes()
    said = review(session, "brindle")
    assert throughout.events == said.events


def test_rows_not_used_are_counted_once(tmp_path: Path) -> None:
    """Also where reading was stopped and began anew."""
    path = log_of(tiled(300), tmp_path / "log.csv")
    path.write_bytes(path.read_bytes() + b"1,2\r\n3\r\n")
    log = open_log(path, "brindle")
    with pytest.raises(Stopped):
        log.read(stop=lambda: True)
    log.read()
    assert len(log.rows) == 300
    assert log.rejected == {"number of fields": 2}
    assert log.rejected == review(path, "brindle").rejected
