"""Reading back: the same findings from a file as live, and sessions that are cut or changed."""

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from monitor.cli import run as flowdebt
from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks
from monitor.review.report import in_words
from monitor.review.review import Review, review
from rules.channels import CHANNEL_NAMES, Sample
from rules.events import Event, EventTracker, Turn
from rules.facts import Action
from rules.guard import Guard
from rules.step.from_rig import constants_of
from rules.step.state import Decision
from simulator.logfile import mapped, write_csv
from simulator.plant import Do, Fault, FaultKind, Scenario, Step, run
from simulator.rig import find_rig, load_rig
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.decisions import compiles_from
from tests.kit.recordings import BRINDLE, record

PUMP_STOP = load_scenario("pump_stop")
SAMPLES_FILE = "samples-0001.arrow"
ALWAYS, NEVER = 0, 10**9


def log_of(scenario: Scenario, seed: int, path: Path) -> Path:
    """Write a scenario's log."""
    write_csv(run(scenario, seed), path, mapped(scenario.rig))
    return path


@pytest.fixture(scope="module")
def pump_stop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log in which the pump stops."""
    return log_of(PUMP_STOP, 1, tmp_path_factory.mktemp("logs") / "pump_stop.csv")


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recorded pump stop, with half a second of silence in it and a channel that says nan."""
    samples = list(run(PUMP_STOP, 2))
    del samples[300:350]
    samples[500] = samples[500]._replace(delivered_ml_min=float("nan"))
    return record(tmp_path_factory.mktemp("sessions"), samples)


def copied(session: Path, folder: Path) -> Path:
    """Return a copy of a session, to damage."""
    copy = folder / session.name
    copy.mkdir()
    for path in session.iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    return copy


def live_events(scenario: Scenario, seed: int) -> list[Event]:
    """Return the events of a guard that sees the samples themselves."""
    guard, tracker = Guard(scenario.rig), EventTracker(scenario.rig)
    events = []
    for sample in run(scenario, seed):
        turns = tracker.feed(guard.step(sample))
        events += [event for turn, event in turns if turn is Turn.RAISED]
    tracker.finish(guard.decision())
    return events


def kinds(result: Review) -> list[tuple[str, str]]:
    """Return each event's finding and action."""
    return [(event.finding, event.action.word) for event in result.events]


def test_a_pump_stop_is_found_and_followed(pump_stop: Path) -> None:
    """Two pulls with a dead pump: a shortfall, knock, knock that stays, a hot intake."""
    result = review(pump_stop, "brindle")
    knock, short = ("knock", "pull_timing"), ("under_delivery", "cut_boost")
    persists, hot = ("knock_persists", "cut_boost"), ("intake_hot", "pull_timing")
    assert kinds(result)[:3] == [short, knock, persists]
    assert set(kinds(result)) == {short, knock, persists, hot}
    assert kinds(result).count(short) == 2
    # In the second pull nothing arrives from the start, so that is found, and boost cut, before it
    # knocks.
    _, second = (i for i, kind in enumerate(kinds(result)) if kind == short)
    assert kinds(result)[second + 1] == knock
    assert result.events[second].steps[-1].time_s < result.events[second + 1].time_s
    stop = result.events[0]
    assert 13.0 < stop.time_s < 13.3  # the pump stops at 13 s
    assert [step.action for step in stop.steps] == ["warn", "pull_timing", "cut_boost"]
    assert stop.boost_ceiling_kpa == 100.0  # brindle's dry limit
    assert stop.retard_deg >= 6.0
    assert result.worst is Action.CUT_BOOST
    assert (result.rows, result.span.from_s, result.span.to_s) == (2400, 0.01, 24.0)
    assert (result.cut, result.reproduced, result.rejected) == (None, None, {})


def test_a_log_gives_what_the_samples_gave(pump_stop: Path) -> None:
    """Written to text and read back, the samples lead to the same events, to the last bit."""
    assert review(pump_stop, "brindle").events == live_events(PUMP_STOP, 1)


@pytest.mark.parametrize("threshold", [ALWAYS, 1000, NEVER])
def test_interpreted_and_compiled_reviews_agree(
    pump_stop: Path, session: Path, monkeypatch: pytest.MonkeyPatch, threshold: int
) -> None:
    """Whether rows are stepped one by one or compiled, a review says exactly the same."""
    expected = [review(pump_stop, "brindle"), review(session, None)]
    compiles_from(threshold, monkeypatch)
    assert [review(pump_stop, "brindle"), review(session, None)] == expected
    assert expected[1].reproduced is True


def test_json_is_as_promised(pump_stop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line of JSON; these keys and no others; plain numbers, words and nulls."""
    assert flowdebt(["review", str(pump_stop), "--rig", "brindle", "--json"]) == 0
    out = capsys.readouterr().out
    assert len(out.splitlines()) == 1
    told = json.loads(out)
    assert list(told) == [
        *["source", "rig", "rows", "judged", "from_s", "to_s", "length_s", "clock_stepped_back"],
        *["worst_action", "rejected"],
        *["no_numbers", "starts", "time_remark", "cut"],
        *["reproduced", "differs_at_s", "done_by_older_rules", "thresholds_changed"],
        *["mistakes_in_rig", "spray", "tank_ml", "pulls", "events"],
    ]
    assert list(told["spray"]) == [
        *["sprayed_s", "not_judged_s", "boost_kpa", "commanded_ml", "expected_ml", "delivered_ml"],
        *["witness", "worst", "at_highest_boost", "peak_evidence", "peak_debt"],
    ]
    assert told["worst_action"] == "cut_boost"
    assert len(told["events"]) == len(review(pump_stop, "brindle").events)
    for event in told["events"]:
        assert list(event) == [
            *["time_s", "finding", "action", "retard_deg", "boost_ceiling_kpa", "debt_ml"],
            *["explanation", "action_time_s", "clock_s", "until_s", "lasted_s"],
            *["fault_intervals", "severity", "check_first", "steps"],
        ]
        assert event["action"] in {"warn", "pull_timing", "cut_boost"}
        assert all(isinstance(event[key], float) for key in ("time_s", "retard_deg", "debt_ml"))
        assert (event["boost_ceiling_kpa"] is None) == (event["action"] != "cut_boost")
        assert event["explanation"].endswith(".")
        assert next(set(step) for step in event["steps"]) == {
            *("time_s", "action", "retard_deg", "fhti_s")
        }
    assert told["events"][0]["until_s"] is not None
    assert told["events"][-1]["until_s"] is None


def test_words_say_when_what_how_deep_and_why(pump_stop: Path) -> None:
    """The text names time, action, finding, evidence, debt, degrees, ceiling and the reason."""
    text = "\n".join(in_words(review(pump_stop, "brindle")))
    for part in ("2400 rows, 0.01 to 24.00 s", "cut boost", "under-delivery", " mL, pull "):
        assert part in text
    assert "cut boost to 100 kPa)" in text
    assert " knock that stays to " in text  # whether a pull was made, no log of readings says
    limit = constants_of(BRINDLE.rig).limit_nats
    assert re.search(
        rf"evidence \d+ of {limit:.0f}: no car this rig allows for would read \d+ of", text
    )
    assert re.search(rf"s of full flow \(.* mL\) missing, {BRINDLE.rig.debt.cut_s:.2f} s cut", text)
    steps = re.search(
        r"\(and s from the fault, at \S+ s, until done\): warn at (\S+) s .*, "
        r"pull timing at (\S+) s .*, "
        r"cut boost at (\S+) s",
        text,
    )
    assert steps is not None
    assert 13.0 < float(steps[1]) <= float(steps[2]) < float(steps[3]) < 13.9


def test_gaps_in_a_log_are_seen(tmp_path: Path) -> None:
    """Two seconds without a row in full boost: the guard was blind, and the review says so."""
    samples = list(run(PUMP_STOP, 1))
    del samples[1180:1280]
    path = tmp_path / "gap.csv"
    write_csv(samples, path, mapped(PUMP_STOP.rig))
    result = review(path, "brindle")
    assert "signal_lost" in [event.finding for event in result.events if event.time_s < 12.9]
    assert result.rows == len(samples)  # not the ticks


QUIET = [
    *[("healthy_pulls", seed) for seed in (1, 2)],
    *[("part_throttle", seed) for seed in (1, 3, 4)],
    *[("wire_noise", seed) for seed in range(1, 7)],
]


@pytest.mark.parametrize(("name", "seed"), QUIET)
def test_nothing_is_pulled_or_cut_where_nothing_is_wrong(
    tmp_path: Path, name: str, seed: int
) -> None:
    """Gear shifts, part throttle, spikes and gaps on the wire are no reason to act."""
    result = review(log_of(load_scenario(name), seed, tmp_path / "log.csv"), "brindle")
    assert result.worst < Action.PULL_TIMING, list(in_words(result))


def test_a_session_reproduces_its_decisions(session: Path) -> None:
    """The same rows through the same rules: bit for bit what was decided then, ticks included."""
    result = review(session, None)
    assert (result.reproduced, result.differs_at_s, result.cut) == (True, None, None)
    assert result.rows == 2350
    assert ("under_delivery", "cut_boost") in kinds(result)
    assert "reproduced, bit for bit" in "\n".join(in_words(result))


def test_a_session_judged_by_another_rig_compares_nothing(session: Path, tmp_path: Path) -> None:
    """Another rig decides otherwise, by right; the same rig given by name still compares."""
    other = tmp_path / "other.toml"
    other.write_text(BRINDLE.text.replace('cut = "0.4 s"', 'cut = "50 s"'), encoding="utf-8")
    result = review(session, str(other))
    assert result.reproduced is None
    same = review(session, "brindle")
    assert same.reproduced is True
    short = [
        next(event.steps for event in found.events if event.finding == "under_delivery")
        for found in (same, result)
    ]
    assert short[0][:-1] == short[1][:-1]  # pulled alike
    assert short[0][-1][0] < short[1][-1][0]  # and cut at the threshold, before the other did


def test_a_rig_with_other_line_ends_still_compares(tmp_path: Path) -> None:
    """A rig file written with CRLF is recorded as it was, so that its session compares."""
    path = tmp_path / "crlf.toml"
    path.write_bytes(BRINDLE.text.replace("\n", "\r\n").encode())
    recorded = record(tmp_path / "sessions", list(run(PUMP_STOP, 1))[:100], load_rig(path))
    assert review(recorded, str(path)).reproduced is True


def tamper(session: Path, row: int, column: str, change: float) -> float:
    """Change one recorded value; return the row's time."""
    path = session / SAMPLES_FILE
    with pa.ipc.open_stream(path.read_bytes()) as stream:
        table = stream.read_all()
    values = table.column(column).to_numpy().copy()
    values[row] += change
    place = table.schema.get_field_index(column)
    table = table.set_column(place, table.schema.field(place), pa.array(values))
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_stream(file, table.schema) as writer:
        writer.write_table(table)
    return float(table.column("time_s")[row].as_py())


@pytest.mark.parametrize("threshold", [ALWAYS, NEVER])
@pytest.mark.parametrize(
    ("row", "column", "change"),
    [
        (1500, "decided_debt_ml", 1e-9),
        (700, "decided_action", 1.0),
        (0, "decided_retard_deg", 0.5),
        (-1, "decided_boost_ceiling_kpa", -1.0),
    ],
)
def test_a_changed_decision_shows(
    session: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    threshold: int,
    row: int,
    column: str,
    change: float,
) -> None:
    """One recorded decision changed: the review says that, and from when, and exits with 1."""
    compiles_from(threshold, monkeypatch)
    copy = copied(session, tmp_path)
    time_s = tamper(copy, row, column, change)
    result = review(copy, None)
    assert (result.reproduced, result.differs_at_s) == (False, time_s)
    assert "DIFFER" in "\n".join(in_words(result))
    assert flowdebt(["review", str(copy)]) == 1


def without_end(session: Path) -> None:
    """Take the end record away, as a killed process leaves it."""
    path = session / layout.EVENTS
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    assert json.loads(lines[-1])["kind"] == "end"
    path.write_text("".join(lines[:-1]) + '{"kind": "ev', encoding="utf-8")


def in_batches(session: Path, rows: int, batch_rows: int) -> list[int]:
    """Rewrite a session's head in batches; return where each ends in the file."""
    blocks = SessionBlocks(session)
    guard = Guard(blocks.rig_file().rig)
    samples = [Sample(*row) for block in blocks for row in block.tolist()][:rows]
    pairs: list[tuple[Any, Any]] = [(sample, guard.step(sample)) for sample in samples]
    channels = mapped(blocks.rig_file().rig)
    schema = layout.schema(channels)
    ends = []
    with (session / SAMPLES_FILE).open("wb") as file:
        writer = pa.ipc.new_stream(file, schema)
        for at in range(0, rows, batch_rows):
            writer.write_batch(layout.batch_of(pairs[at : at + batch_rows], channels, schema))
            ends.append(file.tell())
    return ends


def test_a_torn_session_reads_to_the_cut(session: Path, tmp_path: Path) -> None:
    """Cut at any byte, a session reads to its last whole batch, says so, and still reproduces."""
    copy = copied(session, tmp_path)
    ends = in_batches(copy, 120, 20)
    without_end(copy)
    path = copy / SAMPLES_FILE
    whole = path.read_bytes()
    assert len(whole) == ends[-1]
    cuts = {*range(0, len(whole), 97), *(end + by for end in ends for by in (-8, -4, -1, 0))}
    cuts |= {end + by for end in ends[:-1] for by in (1, 4, 8)}
    for cut in sorted(cuts):
        path.write_bytes(whole[:cut])
        batches = sum(end <= cut for end in ends)
        if not batches:
            with pytest.raises(BadInput, match="found no rows"):
                review(copy, None)
            continue
        result = review(copy, None)
        assert result.rows == 20 * batches, cut
        assert result.cut is not None
        assert result.reproduced is True
    assert len(cuts) > 100


def test_a_session_cut_between_batches_does_not_pass_for_whole(
    session: Path, tmp_path: Path
) -> None:
    """An Arrow stream cut at a batch's end reads as complete; the end record knows better."""
    copy = copied(session, tmp_path)
    in_batches(copy, 120, 20)
    assert "found 120 rows, expected" in str(review(copy, None).cut)
    assert "not whole" in "\n".join(in_words(review(copy, None)))


def test_sessions_that_are_none(session: Path, tmp_path: Path) -> None:
    """A damaged about.json, another format, a missing or damaged rig: bad input by name."""
    for name, content, expected in (
        (layout.ABOUT, "{", "about.json"),
        (layout.ABOUT, "[1]", "expected format"),
        (layout.ABOUT, '{"format": "else"}', "expected format"),
        (layout.RIG, "name = 1", "rig.toml"),
        (layout.RIG, "\0", "rig.toml"),
    ):
        folder = tmp_path / f"{len(list(tmp_path.iterdir()))}"
        folder.mkdir()
        copy = copied(session, folder)
        (copy / name).write_text(content, encoding="utf-8")
        with pytest.raises(BadInput, match=expected):
            review(copy, None)
        (copy / name).unlink()
        with pytest.raises(BadInput):
            review(copy, None)


def test_exit_codes(
    pump_stop: Path, session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """0 ran; 1 the level was reached; 2 bad input."""
    quiet = tmp_path / "quiet.csv"
    write_csv(list(run(PUMP_STOP, 1))[:1200], quiet, mapped(PUMP_STOP.rig))
    by = ["--rig", "brindle"]
    assert flowdebt(["review", str(pump_stop), *by]) == 0
    for level in ("warn", "pull_timing", "cut_boost"):
        assert flowdebt(["review", str(pump_stop), *by, "--fail-on", level]) == 1
        assert flowdebt(["review", str(quiet), *by, "--fail-on", level]) == 0
    assert flowdebt(["review", str(session), "--fail-on", "cut_boost"]) == 1
    assert capsys.readouterr().err == ""
    assert flowdebt(["review", str(pump_stop)]) == 2
    assert flowdebt(["review", str(pump_stop), *by, "--fail-on", "shout"]) == 2
    assert flowdebt(["review", str(tmp_path)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 3


def test_only_the_level_reached_fails(tmp_path: Path) -> None:
    """A log whose worst is a warning fails on warn, not on more."""
    log = log_of(load_scenario("low_tank"), 1, tmp_path / "log.csv")
    by = ["review", str(log), "--rig", "brindle", "--fail-on"]
    assert review(log, "brindle").worst is Action.WARN
    assert [flowdebt([*by, level]) for level in ("warn", "pull_timing", "cut_boost")] == [1, 0, 0]


def test_rows_survive_the_recorder_exactly(tmp_path: Path) -> None:
    """Not sent, nan, minus nought and the smallest number come back as they were."""
    odd = [float("nan"), float("-inf"), -0.0, 5e-324, 1e300, 1.5]
    samples = [
        Sample(0.01 * i, *(odd[(i + j) % len(odd)] for j in range(len(CHANNEL_NAMES))))
        for i in range(12)
    ]
    blocks = SessionBlocks(record(tmp_path, samples))
    (rows,) = list(blocks)
    kept = [0] + [
        1 + CHANNEL_NAMES.index(name) for name in CHANNEL_NAMES if name in BRINDLE.columns
    ]
    assert rows[:, kept].tobytes() == np.array(samples)[:, kept].tobytes()
    assert blocks.decided.shape == (12, len(layout.DECIDED))
    assert set(layout.DECIDED) < set(Decision.names())


def test_a_car_without_a_flow_sensor_is_not_called_healthy_throughout(tmp_path: Path) -> None:
    """A siphon off boost is nothing that line pressure shows: what alone judges is said."""
    line = load_rig(find_rig("orrinby"))
    siphon = (Fault(FaultKind.SIPHON),)
    cruise = replace(PUMP_STOP, rig=line.rig, drive=(Step(Do.CRUISE, 2.0, 3),), faults=siphon)
    log = log_of(cruise, 2, tmp_path / "line.csv")
    said = "\n".join(in_words(review(log, "orrinby")))
    assert "no flow is measured: line pressure alone tells of missing spray" in said
    assert said.index("no flow is measured") < said.index("no action")
