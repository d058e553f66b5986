"""New thresholds for a running guard: what may change, what is kept, what is recorded."""

from pathlib import Path

import numpy as np
import pytest
from pyarrow import parquet as pq

from monitor.recorder import layout
from monitor.recorder.export import export
from monitor.recorder.fake_disk import FakeDisk
from monitor.review.report import in_words
from monitor.review.review import review
from monitor.sources.base import Notice
from monitor.sources.open import open_source
from rules.guard import Guard
from simulator.plant import run
from simulator.rig import RigFile, changes, live_changes, rig_from_text
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.decisions import matrix_of
from tests.kit.drives import Driven
from tests.kit.patience import until
from tests.kit.recordings import BRINDLE, Recording, decided_of, kept_rows, read, record, stopped
from tests.kit.rig_text import SMALL

SAMPLES = Driven("pump_stop", 2)
EARLY = 1200  # rows before the pump stops


def changed(*edits: tuple[str, str], text: str = BRINDLE.text) -> RigFile:
    """Return a rig with passages replaced."""
    for old, new in edits:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return rig_from_text(text, "car.toml")


TIGHTER = changed(('false_pull_every = "100 h"', 'false_pull_every = "1 h"'))
LOOSER = changed(('cut = "0.4 s"', 'cut = "0.7 s"'), ("margin = 1.2", "margin = 1.5"))


def test_what_is_remembered_outlives_a_change() -> None:
    """Evidence and debt under way stand; only the threshold they are held against moves."""
    guard, tighter = Guard(BRINDLE.rig), Guard(TIGHTER.rig).constants
    coming = run(load_scenario("pump_fade"), 1)
    decision = guard.step(next(coming))
    while decision.evidence < tighter.limit_nats:
        decision = guard.step(next(coming))
    assert decision.action < 2.0
    before = guard.state()
    guard.change(TIGHTER.rig)
    assert guard.state() == before
    after = guard.step(next(coming))
    while after.evidence < tighter.limit_nats:
        after = guard.step(next(coming))
    assert after.action == 2.0
    assert after.evidence < Guard(BRINDLE.rig).constants.limit_nats


def test_a_change_is_the_same_interpreted_compiled_and_taken_up() -> None:
    """Stepping, running arrays and restoring the state agree to the last bit after a change."""
    rows = np.array(SAMPLES)
    one, other, third = Guard(BRINDLE.rig), Guard(BRINDLE.rig), Guard(BRINDLE.rig)
    third.use_compiled()
    stepped = [one.step(row) for row in rows[:EARLY].tolist()]
    ran = [other.run_rows(rows[:EARLY])]
    compiled = [third.step(row) for row in rows[:EARLY].tolist()]
    for guard in (one, other, third):
        guard.change(TIGHTER.rig)
    fresh = Guard(TIGHTER.rig)
    fresh.restore(one.state())
    taken = stepped + [fresh.step(row) for row in rows[EARLY:].tolist()]
    stepped += [one.step(row) for row in rows[EARLY:].tolist()]
    compiled += [third.step(row) for row in rows[EARLY:].tolist()]
    ran.append(other.run_rows(rows[EARLY:]))
    expected = matrix_of(stepped).tobytes()
    assert np.concatenate(ran).tobytes() == expected
    assert matrix_of(compiled).tobytes() == expected
    assert matrix_of(taken).tobytes() == expected
    assert Guard(BRINDLE.rig).run_rows(rows).tobytes() != expected


@pytest.mark.parametrize(
    "edit",
    [
        ('transport_delay = "80 ms"', 'transport_delay = "90 ms"'),
        ("[channels.supply_v]\n", ""),
        ("rise_k = 33\n", ""),
    ],
    ids=["delay", "channels", "watched"],
)
def test_a_rig_that_would_not_fit_what_is_remembered_is_refused(edit: tuple[str, str]) -> None:
    """The rules refuse it by themselves, and judge on by the old one."""
    guard = Guard(BRINDLE.rig)
    with pytest.raises(ValueError, match="expected the same"):
        guard.change(changed(edit).rig)
    assert guard.rig is BRINDLE.rig
    assert guard.constants == Guard(BRINDLE.rig).constants


def test_a_difference_is_told_by_key_and_in_units() -> None:
    """Key, old and new value; another unit or a default written out is no difference."""
    words = [change.words for change in changes(BRINDLE, LOOSER)]
    assert words == ["debt.cut 0.4 -> 0.7 s", "ladder.margin 1.2 -> 1.5"]
    default = ("[charge_sensor]\n", '[line_sensor]\nlag = "10 ms"\n\n[charge_sensor]\n')
    same = changed(('cut = "0.4 s"', 'cut = "400 ms"'), default)
    assert live_changes(BRINDLE, same) == ()
    other = changed(('["0 deg", "1.5 deg", "4.5 deg"', '["1 deg", "1.5 deg", "4.5 deg"'))
    (change,) = changes(BRINDLE, other)
    assert change.key == "paid.timing"
    assert change.after == "[1 deg, 1.5 deg, 4.5 deg, 6 deg]"


@pytest.mark.parametrize(
    ("edit", "key"),
    [
        (('displacement = "1.8 L"', 'displacement = "2.0 L"'), "engine.displacement"),
        (('rated_flow = "650 mL/min"', 'rated_flow = "651 mL/min"'), "injectors.rated_flow"),
        (("count = 2", "count = 1"), "spray.nozzles[0].count"),
        (('lag = "100 ms"', 'lag = "90 ms"'), "flow_sensor.lag"),
        (('kind = "boost"\nstart', 'kind = "fixed"\nstart'), "command.kind"),
        (
            ("[channels.supply_v]", '[channels.supply_v]\ncolumn = "volts"'),
            "channels.supply_v.column",
        ),
        (("[channels.supply_v]", '[channels.supply_v]\nunit = "mV"'), "channels.supply_v.unit"),
        (("[channels.supply_v]\n", ""), "channels.supply_v.column"),
        (('unit = "s"', 'unit = "ms"'), "time.unit"),
        (("baud = 115200", "baud = 9600"), "serial.baud"),
        (("rise_k = 33", ""), "charge_sensor.rise_k"),
    ],
)
def test_what_cannot_change_is_refused_by_its_key(edit: tuple[str, str], key: str) -> None:
    """One line that names file, line and key; a limit can be moved, not added or taken away."""
    text = BRINDLE.text
    if key == "command.kind":
        text = text.replace('full_boost = "160 kPa"\n', "")
    after = changed(edit, text=text)
    with pytest.raises(BadInput, match="that can't change while the guard runs") as caught:
        live_changes(BRINDLE, after)
    assert str(caught.value).partition(": ")[2].startswith(f"{key}: found ")


def test_a_limit_can_move_but_not_vanish() -> None:
    """What a limit's finding remembers needs the limit to go on."""
    head, table, rest = BRINDLE.text.partition("[limits.knock]")
    without = head + rest[rest.index("[watch]") :]
    assert table
    with pytest.raises(BadInput, match=r"limits\.knock\.above: found none, expected 4 deg"):
        live_changes(BRINDLE, rig_from_text(without, "car.toml"))
    with pytest.raises(BadInput, match=r"limits\.knock\.above: found 4 deg, expected none"):
        live_changes(rig_from_text(without, "car.toml"), BRINDLE)
    (moved,) = live_changes(BRINDLE, changed(('above = "4 deg"', 'above = "5 deg"')))
    assert moved.words == "limits.knock.above 4 -> 5 deg"


def test_a_session_reproduces_across_changes(tmp_path: Path) -> None:
    """Three rigs in one session: a segment for each, decisions bit for bit, changes in words."""
    recording = Recording(tmp_path)
    recording.put(SAMPLES[:EARLY])
    recording.change(TIGHTER)
    recording.put(SAMPLES[EARLY:1700])
    recording.change(BRINDLE)
    recording.put(SAMPLES[1700:])
    session = recording.close()
    assert len(layout.segments_of(session)) == 3
    _, decided, blocks = read(session)
    assert decided.tobytes() == decided_of(recording.decisions)
    assert blocks.cut is None
    result = review(session, None)
    assert result.reproduced is True
    words = list(in_words(result))
    assert "  thresholds changed at 12.00 s: debt.false_pull_every 100 -> 1 h" in words
    assert "  thresholds changed at 17.00 s: debt.false_pull_every 1 -> 100 h" in words
    assert result.as_json()["thresholds_changed"][0] == {
        "time_s": pytest.approx(12.0),
        "changes": [{"key": "debt.false_pull_every", "before": "100 h", "after": "1 h"}],
    }
    by_one = review(session, "brindle")
    assert by_one.reproduced is None
    assert by_one.events != result.events


def test_each_segment_behind_a_change_stands_alone(tmp_path: Path) -> None:
    """With the segment of the change gone, the next one still brings rig and state."""
    recording = Recording(tmp_path, segment_rows=300)
    recording.put(SAMPLES[:EARLY])
    recording.change(TIGHTER)
    recording.put(SAMPLES[EARLY:])
    session = recording.close()
    at = EARLY // 300
    assert not layout.segments_of(session)[at - 1].read_bytes().count(b"rig_sha256")
    layout.segments_of(session)[at].unlink()
    result = review(session, None)
    assert result.reproduced is True
    assert "and gone" in (result.cut or "")
    words = [change.words for new in result.new_terms for change in new.changes]
    assert words == ["debt.false_pull_every 100 -> 1 h"]


def test_a_change_before_the_first_row_and_two_at_once(tmp_path: Path) -> None:
    """Segments without rows do no harm; the last rig counts."""
    recording = Recording(tmp_path)
    recording.change(LOOSER)
    recording.change(TIGHTER)
    recording.put(SAMPLES)
    session = recording.close()
    result = review(session, None)
    assert result.reproduced is True
    assert [len(new.changes) for new in result.new_terms] == [1]
    assert kept_rows(session) == len(recording.decisions)


def test_a_change_while_the_disk_is_full_is_not_forgotten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is recorded once there is room again is recorded by the new rig."""
    monkeypatch.setattr("monitor.recorder.recorder.RETRY_S", 0.01)
    disk = FakeDisk()
    recording = Recording(tmp_path, disk=disk)
    recording.put(SAMPLES[:400])
    until(lambda: recording.recorder.rows == 400)
    disk.room = 100.0
    recording.put(SAMPLES[400:800])
    until(lambda: stopped(recording.recorder))
    recording.change(TIGHTER)
    recording.put(SAMPLES[800:900])
    until(lambda: recording.recorder.waiting == 0)
    disk.room = float("inf")
    for start in range(900, len(SAMPLES), 50):
        recording.put(SAMPLES[start : start + 50])
        until(lambda: recording.recorder.waiting == 0)
        if recording.recorder.fault is not None:
            until(lambda: recording.recorder._turn_due or recording.recorder.fault is None)
    session = recording.close()
    result = review(session, None)
    assert result.reproduced is True
    words = [change.words for new in result.new_terms for change in new.changes]
    assert words == ["debt.false_pull_every 100 -> 1 h"]
    assert "rows were not recorded before samples-0002.arrow" in (result.cut or "")


def test_a_damaged_rig_in_a_segment_is_not_judged_by(tmp_path: Path) -> None:
    """A rig whose hash does not fit is not used; the session then differs, and says so."""
    recording = Recording(tmp_path)
    recording.put(SAMPLES[:EARLY])
    recording.change(TIGHTER)
    recording.put(SAMPLES[EARLY:])
    session = recording.close()
    path = layout.segments_of(session)[1]
    raw = path.read_bytes()
    assert raw.count(b'false_pull_every = "1 h"') == 1
    path.write_bytes(raw.replace(b'false_pull_every = "1 h"', b'false_pull_every = "2 h"'))
    assert review(session, None).reproduced is False


def test_an_export_of_such_a_session_says_so(tmp_path: Path) -> None:
    """All rows are there; that several rigs decided is told, and stands in Parquet's metadata."""
    recording = Recording(tmp_path)
    recording.put(SAMPLES[:50])
    recording.change(TIGHTER)
    recording.put(SAMPLES[50:100])
    session = recording.close()
    done = export(session, tmp_path / "log.parquet")
    assert (done.rows, done.rig_changed) == (100, True)
    facts = pq.ParquetFile(tmp_path / "log.parquet").metadata.metadata
    assert b"rig_changed" in facts
    plain = record(tmp_path / "plain", SAMPLES[:50])
    assert not export(plain, tmp_path / "plain.csv").rig_changed


@pytest.mark.asyncio
async def test_watching_such_a_session_says_that_it_changed(tmp_path: Path) -> None:
    """Played again, a session is judged by the rig it began with, and the change is told."""
    recording = Recording(tmp_path)
    recording.put(SAMPLES[:50])
    recording.change(TIGHTER)
    recording.put(SAMPLES[50:100])
    _, source = open_source(str(recording.close()), None, 0.0)
    async with source:
        items = [item async for item in source]
    notices = [(i, item) for i, item in enumerate(items) if isinstance(item, Notice)]
    assert [(i, n.topic) for i, n in notices] == [(0, "connected"), (51, "thresholds")]
    assert len(items) == 102


def test_the_small_rig_can_change_too() -> None:
    """Where a table is left out its defaults are what changes."""
    before = rig_from_text(SMALL, "small.toml")
    after = rig_from_text(SMALL + '[debt]\nfalse_pull_every = "20 h"\n', "small.toml")
    words = [change.words for change in live_changes(before, after)]
    assert words == ["debt.false_pull_every 100 -> 20 h"]
