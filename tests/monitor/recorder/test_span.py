"""How much a drive holds: the same count and length, whichever way it is read."""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cli import run as flowdebt
from monitor.recorder.index import sessions_in
from monitor.recorder.span import Span
from monitor.review.report import in_words
from monitor.review.review import review
from rules.channels import BOOST, NOT_SENT, ROW_WIDTH, TIME, Sample
from rules.intervals import Intervals
from simulator.logfile import mapped, write_csv
from simulator.scenario import load_scenario
from tests.kit.drives import Driven
from tests.kit.recordings import record

PUMP_STOP = load_scenario("pump_stop")
SAMPLES = Driven("pump_stop", 1)
AGAIN = (slice(1600), slice(1900))
GAP = (slice(300), slice(900, 2000))


def samples_of(parts: tuple[slice, ...]) -> list[Sample]:
    """Return parts of the drive, one after the other."""
    return [sample for part in parts for sample in SAMPLES[part]]


@pytest.mark.parametrize(
    ("parts", "length_s", "steps_back"),
    [((slice(1500),), 14.99, 0), (GAP, 19.99, 0), (AGAIN, 34.98, 1)],
    ids=["whole", "with a gap", "its clock starts again"],
)
def test_log_session_list_and_export_agree(
    parts: tuple[slice, ...],
    length_s: float,
    steps_back: int,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Rows are those that hold a reading, never the ticks for silence; the length is all of it."""
    log, out = tmp_path / "log.csv", tmp_path / "out.csv"
    samples = samples_of(parts)
    write_csv(samples, log, mapped(PUMP_STOP.rig))
    session = record(tmp_path / "sessions", samples)
    assert flowdebt(["export", str(session), "--to", str(out)]) == 0
    assert f"wrote {len(samples)} rows" in capsys.readouterr().err
    spans = [review(path, "brindle").span for path in (log, out)] + [review(session, None).span]
    (entry,) = sessions_in(session.parent)
    assert {span.readings for span in spans} == {entry.samples} == {len(samples)}
    assert {span.steps_back for span in spans} == {steps_back}
    for found in (*(span.length_s for span in spans), entry.length_s):
        assert found == pytest.approx(length_s, abs=0.011)
    told = json.loads(_json_of(log, capsys))
    assert (told["rows"], told["clock_stepped_back"]) == (len(samples), steps_back)
    (session / "summary.json").unlink()
    (again,) = sessions_in(session.parent)
    assert (again.samples, again.length_s) == (entry.samples, entry.length_s)


def _json_of(log: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert flowdebt(["review", str(log), "--rig", "brindle", "--json"]) == 0
    return capsys.readouterr().out


def test_events_stand_in_their_order_over_a_clock_that_starts_again(tmp_path: Path) -> None:
    """By the guard's own time they come one after the other, and the step is told between them."""
    log = tmp_path / "log.csv"
    write_csv(samples_of(AGAIN), log, mapped(PUMP_STOP.rig))
    result = review(log, "brindle")
    clocks = [event.clock_s for event in result.events]
    assert clocks == sorted(clocks)
    assert [e.time_s for e in result.events] != sorted(e.time_s for e in result.events)
    lines = list(in_words(result))
    step = next(i for i, line in enumerate(lines) if "clock stepped: times from here" in line)
    assert "clock step to" in lines[step + 1]
    over = [e for e in result.events if e.until_s is not None and e.until_s < e.time_s]
    assert over
    for event in over:
        assert event.lasted_s is not None
        assert 0.0 < event.lasted_s < 10.0
        assert any(
            f"for {event.lasted_s:.2f} s, to {event.until_s:.2f} s" in line for line in lines
        )


def rows_of(times: list[float]) -> Any:
    """Return rows at these times, a reading in every other."""
    rows = np.full((len(times), ROW_WIDTH), NOT_SENT)
    rows[:, TIME] = times
    rows[::2, BOOST] = 100.0
    return rows


TIMES = st.lists(
    st.one_of(
        st.floats(0.0, 100.0), st.floats(-1e18, 1e18), st.sampled_from([float("nan"), float("inf")])
    ),
    max_size=40,
)


@given(times=TIMES, cut=st.integers(0, 40))
def test_a_span_does_not_depend_on_blocks(times: list[float], cut: int) -> None:
    """In one go or in two, the same; and no time makes it negative or no number."""
    whole, parts = Span(), Span()
    rows = rows_of(times)
    whole.take(rows)
    parts.take(rows[:cut])
    parts.take(rows[cut:])
    assert (whole.readings, whole.from_s, whole.to_s) == (parts.readings, parts.from_s, parts.to_s)
    assert whole.steps_back == parts.steps_back
    assert whole.passed_s == pytest.approx(parts.passed_s)
    assert whole.readings == (len(times) + 1) // 2
    assert whole.length_s is None or 0.0 <= whole.length_s < float("inf")
    assert whole.in_words()


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.01, 2.0))
def test_intervals_shown_add_up(detection_s: float, reaction_s: float, tolerant_s: float) -> None:
    """Detection and reaction, as shown, make what the handling takes, as shown."""
    words = Intervals(detection_s, reaction_s, tolerant_s).in_words()
    takes, detection, reaction, _ = map(float, re.findall(r"-?[0-9]+\.[0-9]+", words))
    assert takes == pytest.approx(detection + reaction, abs=1e-9)
    assert detection == pytest.approx(detection_s, abs=0.011)


def test_a_hair_too_late_reads_so() -> None:
    """Figures of two decimals that would look alike get more of them."""
    assert Intervals(0.541, 0.06, 0.6).in_words() == (
        "handled in 0.601 s (detection 0.541, reaction 0.060) of 0.600 s tolerated: TOO LATE"
    )
    assert (
        Intervals(0.54, 0.06, 0.6)
        .in_words()
        .endswith("of 0.60 s tolerated: TOO LATE, nothing is left")
    )
