"""A live clock that runs wrong blinds the guard; honest jitter of any kind doesn't."""

from collections.abc import Iterator
from math import inf, nan
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.attach.protocol import EventTurn, Message, Notice
from monitor.guard.clock_watch import LEARNING_S, WINDOW_S, ClockWatch
from monitor.guard.loop import GuardLoop
from monitor.guard.recording import RecordingListener
from monitor.outputs.may_hold import Holder
from monitor.recorder import layout
from monitor.recorder.export import export
from monitor.recorder.reader import SessionBlocks
from monitor.recorder.recorder import Recorder
from monitor.review.review import review
from monitor.source_facts import SourceKind
from monitor.sources.base import Arrival
from monitor.sources.fake import FakeSource
from rules.channels import CLOCK_PACE, NOT_SENT, Sample
from rules.clock_pace import LASTING_S, TOLERANCE, found_after_s
from rules.facts import Action
from simulator.rig import rig_from_text
from tests.kit.listening import Told
from tests.kit.rig_text import SMALL
from tests.kit.rigs import Drive, healthy, rig

RIG: Final = rig_from_text(SMALL, "small.toml")
Reading = tuple[float, float]  # its own time, and when it could be read, s


def found(readings: Iterator[Reading]) -> tuple[float, float] | None:
    """Return when a wrong pace was found, by arrival, and which; None where none was."""
    watch = ClockWatch()
    for time_s, arrived_s in readings:
        if watch.saw(time_s, arrived_s):
            return arrived_s, watch.pace
    return None


def carried(
    times: list[float], held_s: list[float], path_s: float = 0.002, each_s: float = 0.0
) -> Iterator[Reading]:
    """Carry readings that are due at ``times``: held back now and then, then all at once.

    Args:
        times: When each is due, on the clock of arrival, rising.
        held_s: How long the way is shut, turn by turn; in between it is open for a moment.
        path_s: What the way takes besides.
        each_s: What is held back comes no faster than one reading in this time.
    """
    opens_s, turn, at_s = times[0], 0, -inf
    for due_s in times:
        while due_s > opens_s:
            opens_s += held_s[turn % len(held_s)] + 1e-3
            turn += 1
        at_s = max(opens_s + path_s, at_s + each_s)
        yield due_s, at_s


HELD: Final = st.lists(
    st.one_of(
        st.just(0.016),  # a USB bridge's latency timer
        st.floats(0.0, 0.2),  # a busy machine
        st.sampled_from([0.1, 0.2, 0.2]),  # MQTT messages in batches
        st.just(3.0),  # a machine that stood still, or a stopped process
    ),
    min_size=1,
    max_size=12,
)


@given(
    HELD,
    st.floats(1.0 - TOLERANCE + 0.02, 1.0 + TOLERANCE - 0.02),
    st.sampled_from([20.0, 100.0, 500.0]),
    st.floats(-1e9, 1e9),
    st.sampled_from([0.0, 1e-4]),  # read in one go; message by message
)
@example([0.2], 1.0, 100.0, 0.0, 0.0)
@example([0.2, 3.0], 0.92, 20.0, 1.7e9, 0.0)
@example(  # a fast crystal, whose gain shows only once the way is open again
    [0.016, 0.1, 0.0, 3.0, 0.1, 1.19e-7, 1.19e-7, 0.2, 3.0, 2.2e-308, 0.2, 0.2],
    1.0795366526622984,
    20.0,
    812901934.9270208,
    0.0,
)
def test_honest_jitter_is_no_wrong_clock(
    held_s: list[float], pace: float, rate_hz: float, start_s: float, each_s: float
) -> None:
    """However readings are held back, if the newest is handed over too; nor is a lazy crystal."""
    times = [i / rate_hz for i in range(int(20.0 * rate_hz))]
    readings = ((start_s + pace * due, at) for due, at in carried(times, held_s, each_s=each_s))
    assert found(readings) is None


@given(
    st.one_of(st.floats(0.0, 0.85), st.floats(1.15, 20.0), st.sampled_from([1e-3, 1e-9, 1e3, 1e6])),
    st.lists(st.floats(0.0, 0.05), min_size=1, max_size=5),
    st.sampled_from([20.0, 100.0, 500.0]),
)
@example(1e-3, [0.0], 100.0)
@example(0.0, [0.0], 100.0)
@example(1001.0, [0.0], 100.0)
def test_a_wrong_clock_is_found_in_the_stated_time(
    pace: float, held_s: list[float], rate_hz: float
) -> None:
    """Slow or fast by more than the tolerance, and how wrong it is said to be is about right."""
    stated_s = found_after_s(pace) + LEARNING_S
    times = [i / rate_hz for i in range(int((stated_s + 2.0) * rate_hz))]
    told = found((pace * due, at) for due, at in carried(times, held_s))
    assert told is not None
    # Rows come one by one, and one that is held back says little.
    slack_s = 0.1 + 3.0 / rate_hz + 0.05 / (abs(1.0 - pace) - TOLERANCE)
    assert told[0] <= stated_s + slack_s
    assert (told[1] < 1.0) == (pace < 1.0)
    if 0.01 < pace < 100.0:
        assert told[1] == pytest.approx(pace, rel=0.25)


@pytest.mark.parametrize(
    "turn",
    [
        pytest.param(lambda t: t if t < 5.0 else t - 5.0, id="a device that started again"),
        pytest.param(lambda t: t if t < 5.0 else t + 1.7e9, id="a device that learnt the date"),
        pytest.param(lambda t: t if t < 5.0 else t - 3600.0, id="an hour put back"),
    ],
)
def test_a_clock_that_steps_once_is_not_one_that_runs_wrong(turn: object) -> None:
    """A step is the rules' own finding; what runs on behind it runs right."""
    assert callable(turn)
    assert found((turn(0.01 * i), 0.01 * i) for i in range(2000)) is None


def test_a_plug_pulled_for_a_while_is_no_wrong_clock() -> None:
    """A device that runs on meanwhile, or starts again, is as right as before."""
    for away_s in (0.3, 2.0, 9.0, 11.0, 600.0):
        for starts_again in (False, True):
            before = [(0.01 * i, 0.01 * i) for i in range(500)]
            back = away_s if starts_again else 0.0
            after = [(t + 5.0 + away_s - (5.0 + back), t + 5.0 + away_s) for t, _ in before]
            if not starts_again:
                after = [(at, at) for _, at in after]
            assert found(iter(before + after)) is None, (away_s, starts_again)


@pytest.mark.parametrize("pace", [0.0, 0.5, 0.8, 1.2, 1.5, 3.0, 50.0])
@pytest.mark.parametrize("silent_s", [0.0, 0.3, 3.0])
def test_a_clock_that_turns_wrong_later_is_found_as_soon(pace: float, silent_s: float) -> None:
    """Also behind a silence that was honest: what it might have gained then is not kept for it."""
    held = [(t, max(t, 3.0 + silent_s)) if t > 3.0 else (t, t) for t in np.arange(0.0, 10.0, 0.01)]
    wrong = [(10.0 + pace * t, 10.0 + t) for t in np.arange(0.0, found_after_s(pace) + 1.0, 0.01)]
    told = found(iter(held + wrong))
    assert told is not None
    assert 10.0 + LASTING_S < told[0] <= 10.0 + found_after_s(pace) + 0.05
    assert told[1] == pytest.approx(max(pace, 1e-6), rel=0.25, abs=0.05)


@pytest.mark.parametrize("pace", [0.5, 1.2, 1.5, 3.0])
@pytest.mark.parametrize("batch_s", [0.5, 3.0])
def test_a_wrong_clock_is_found_in_batches_too(pace: float, batch_s: float) -> None:
    """And slow isn't called fast, nor fast slow, though each batch begins with what is old."""
    times = [0.05 * i for i in range(1200)]
    told = found((pace * due, at) for due, at in carried(times, [batch_s]))
    assert told is not None
    assert told[0] <= LEARNING_S + found_after_s(pace) + 3.0 * batch_s
    assert (told[1] < 1.0) == (pace < 1.0)


def test_a_clock_put_forward_before_a_silence_is_no_slow_one() -> None:
    """A jump ahead, then what was held back for a second: neither lasts."""
    ahead = [(t + (0.35 if t > 5.0 else 0.0), t) for t in np.arange(0.0, 5.02, 0.01)]
    held = [(t + 0.35, max(t, 6.0)) for t in np.arange(5.02, 20.0, 0.01)]
    assert found(iter(ahead + held)) is None


def test_what_a_port_kept_from_before_is_no_fast_clock() -> None:
    """Opened late, it hands over a second of old readings at once."""
    old = [(0.01 * i, 1.0) for i in range(100)]
    assert found(iter(old + [(1.0 + 0.01 * i, 1.0 + 0.01 * i) for i in range(1000)])) is None


def test_readings_that_come_ever_later_are_found_as_a_slow_clock() -> None:
    """A way too narrow for what is sent: what arrives is older each second."""
    told = found((0.01 * i, 0.014 * i) for i in range(1000))
    assert told is not None
    assert told[1] == pytest.approx(1.0 / 1.4, rel=0.05)


def test_a_clock_that_runs_right_again_is_believed_in_time() -> None:
    """Not at once: what it lost is still behind."""
    watch, times = ClockWatch(), []
    time_s = 0.0
    for i in range(6000):
        time_s += 0.01 * (0.01 if 200 <= i < 400 else 1.0)
        if watch.saw(time_s, 0.01 * i):
            times.append((0.01 * i, watch.pace))
    (wrong_s, pace), (right_s, again) = times
    assert 2.8 < wrong_s < 2.9
    assert pace < 0.1
    assert again == NOT_SENT
    assert 10.0 < right_s < 30.0


@pytest.mark.parametrize("pace", [1e-3, 0.5, 3.0])
@pytest.mark.parametrize("wrong_s", [2.0, 10.0, 60.0])
def test_what_was_lost_or_gained_is_let_go(pace: float, wrong_s: float) -> None:
    """However long the clock was wrong, it is believed three windows after it is right again."""
    watch, time_s = ClockWatch(), 0.0
    well_s = 0.0
    for i in range(int(100.0 * (wrong_s + 20.0))):
        arrived_s = 0.01 * i
        time_s += 0.01 * (pace if 1.0 < arrived_s <= 1.0 + wrong_s else 1.0)
        watch.saw(time_s, arrived_s)
        well_s = well_s if watch.pace == NOT_SENT else arrived_s
    assert well_s - 1.0 - wrong_s <= 3.0 * WINDOW_S + LASTING_S + 0.1


@given(st.one_of(st.floats(0.0, 0.85), st.floats(1.15, 20.0)), HELD)
def test_a_clock_that_stays_wrong_is_never_let_go(pace: float, held_s: list[float]) -> None:
    """Once found, for as long as it runs wrong."""
    watch, seen = ClockWatch(), False
    for due_s, arrived_s in carried([0.05 * i for i in range(1200)], held_s):
        seen = watch.saw(pace * due_s, arrived_s) or seen
        if seen and arrived_s > 30.0:
            assert watch.pace != NOT_SENT


@given(st.lists(st.tuples(st.floats(), st.floats(0.0, 3.0)), max_size=40))
def test_no_times_break_the_comparison(steps: list[tuple[float, float]]) -> None:
    """What is found is nothing, or a pace above nought and finite, whatever comes."""
    watch, arrived_s = ClockWatch(), 0.0
    for time_s, passed_s in steps:
        arrived_s += passed_s
        watch.saw(time_s, arrived_s)
        assert watch.pace == NOT_SENT or 0.0 < watch.pace < inf


# --- what the rules make of it ------------------------------------------------------------------


def pull(pace: float, on_blind: Action = Action.CUT_BOOST) -> Drive:
    """Return a healthy drive under boost whose clock was then found to run wrong."""
    facts = rig(ladder={"on_blind": on_blind})
    drive = healthy(facts)
    drive.run(0.01, clock_pace=pace)
    return drive


@pytest.mark.parametrize("pace", [1e-3, 0.5, 3.0, nan])
@pytest.mark.parametrize("on_blind", [Action.WARN, Action.PULL_TIMING, Action.CUT_BOOST])
def test_a_wrong_clock_acts_as_blindness_does(pace: float, on_blind: Action) -> None:
    """At once, as the rig says: whoever found it has waited."""
    decision = pull(pace, on_blind).last
    assert decision.action == on_blind
    assert decision.all_healthy == 0.0
    assert decision.changed


def test_below_the_onset_a_wrong_clock_only_warns() -> None:
    """As blindness does there."""
    drive = healthy(rig(), boost_kpa=0.0, commanded_ml_min=0.0)
    drive.run(0.01, boost_kpa=0.0, commanded_ml_min=0.0, clock_pace=1e-3)
    assert drive.last.action == Action.WARN


@pytest.mark.parametrize("pace", [1e-3, 1000.0])
def test_nothing_is_released_by_a_clock_that_runs_wrong(pace: float) -> None:
    """However long it says that boost was low; once it runs right, the release time counts."""
    drive = pull(pace)
    out = {"boost_kpa": 0.0, "commanded_ml_min": 0.0}
    assert drive.run(60.0, clock_pace=pace, **out)[-1].action == Action.CUT_BOOST
    waits_s = drive.guard.rig.ladder.release_after_s
    decisions = drive.run(waits_s + 0.1, **out)
    assert decisions[-20].action == Action.CUT_BOOST
    assert decisions[-1].action == Action.NO_ACTION


def test_outputs_are_released_at_once_even_out_of_boost() -> None:
    """The patience with a single bad reading can't be measured by such a clock."""
    drive = Drive(rig())
    holder = Holder(drive.guard.rig)
    decisions = drive.run(5.0, boost_kpa=0.0, commanded_ml_min=0.0)
    assert [holder.feed(decision) for decision in decisions].count(True) == 1  # held from then on
    (decision,) = drive.run(0.01, boost_kpa=0.0, commanded_ml_min=0.0, clock_pace=1e-3)
    assert holder.feed(decision)
    assert not holder.held
    assert "1000 times too slow" in holder.why


# --- in a running guard -------------------------------------------------------------------------


def no_flow(pace: float, seconds: float) -> list[Arrival]:
    """Return a pull in which no spray ever flows, by a clock that runs at a pace."""
    noise = np.random.default_rng(5)
    return [
        Arrival(
            Sample(
                100.0 + pace * 0.01 * i,
                boost_kpa=120.0 + noise.uniform(-1.0, 1.0),
                delivered_ml_min=0.0,
                commanded_ml_min=0.0,
            ),
            round(1e9 + 1e7 * i),
        )
        for i in range(int(100.0 * seconds))
    ]


async def watched(
    script: list[Arrival], folder: Path, kind: SourceKind
) -> tuple[list[Message], Path]:
    """Run a guard over a script to its end; return what it told and its session."""
    told = Told()
    recorder = Recorder(folder, RIG, "fake")
    source = FakeSource(script, kind=kind)
    await GuardLoop(RIG, source, [RecordingListener(recorder), told]).run()
    return told.messages, recorder.path


def events(told: list[Message]) -> list[EventTurn]:
    """Return the events among messages."""
    return [message for message in told if isinstance(message, EventTurn)]


@pytest.mark.asyncio
@pytest.mark.parametrize("pace", [1e-6, 1e-3, 0.3, 4.0, 900.0])
async def test_a_guard_notices_tells_and_records_it(pace: float, tmp_path: Path) -> None:
    """Boost is cut, why is said in plain words, and the session reproduces bit for bit."""
    told, session = await watched(no_flow(pace, 4.0), tmp_path, SourceKind.LIVE)
    lost = [turn.event for turn in events(told) if turn.event.finding == "signal_lost"]
    assert {event.action for event in lost} == {"cut_boost"}
    if pace < 25.0:  # else each row is a gap, and readings are stale
        assert "the source's clock runs" in str(lost[-1].explanation).lower()
    notices = [m.text for m in told if isinstance(m, Notice) and m.topic == "clock"]
    assert len(notices) == 1
    assert "the source's clock runs" in notices[0]
    assert review(session, None).reproduced is True
    rows = np.concatenate(list(SessionBlocks(session)))
    assert len(set(rows[:, CLOCK_PACE]) - {NOT_SENT}) == 1
    for name in ("out.csv", "out.parquet"):
        export(session, tmp_path / name)
        again = review(tmp_path / name, str(session / "rig.toml"))
        assert again.events == review(session, None).events


@pytest.mark.asyncio
@pytest.mark.parametrize("kind", [SourceKind.RECORDED, SourceKind.SIMULATED])
async def test_only_what_is_live_has_an_arrival(kind: SourceKind, tmp_path: Path) -> None:
    """A log played ten times as fast, or a simulated car, has no clock to compare."""
    told, session = await watched(no_flow(10.0, 4.0), tmp_path, kind)
    assert not [m for m in told if isinstance(m, Notice) and m.topic == "clock"]
    rows = np.concatenate(list(SessionBlocks(session)))
    assert set(rows[:, CLOCK_PACE]) == {NOT_SENT}


@pytest.mark.asyncio
async def test_a_session_from_before_still_reads(tmp_path: Path) -> None:
    """One whose rows say nothing of the clock is read, and judged, as one whose clock ran right."""
    _, session = await watched(no_flow(1.0, 4.0), tmp_path, SourceKind.LIVE)
    new = review(session, None)
    (path,) = layout.segments_of(session)
    with pa.ipc.open_stream(path.read_bytes()) as stream:
        table = stream.read_all()
    older = table.drop_columns(["clock_pace"])
    with pa.ipc.new_stream(str(path), older.schema) as file:
        file.write_table(older)
    old = review(session, None)
    assert (old.reproduced, old.events, old.rows) == (True, new.events, new.rows)
    assert new.reproduced is True
