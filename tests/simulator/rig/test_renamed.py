"""Words that have changed: told to whoever writes an old one, read in sessions of their day."""

import json
import re
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from monitor.cli import run as flowdebt
from monitor.recorder import layout
from monitor.review.log import open_log
from monitor.review.review import review
from simulator.plant import run
from simulator.rig import find_rig, load_rig, rig_from_text, shipped_rigs, with_new_names
from simulator.rig.renamed import RENAMED
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.recordings import BRINDLE, Recording, record
from tests.kit.rig_text import SMALL

PUMP_STOP = load_scenario("pump_stop")
KEYS = (("delay_tolerance =", "timing ="), ("[fault_intervals]", "[fault_timing]"))


def as_it_was(text: str) -> str:
    """Return a rig's text as the keys were called once."""
    for new, old in KEYS:
        text = text.replace(new, old)
    return text


def made_old(session: Path) -> None:
    """Give a session the words of its day: rig, columns, the rigs in its segments, summary."""
    rig = session / layout.RIG
    rig.write_text(as_it_was(rig.read_text(encoding="utf-8")), encoding="utf-8")
    for segment in layout.segments_of(session):
        with pa.ipc.open_stream(segment.read_bytes()) as stream:
            table = stream.read_all()
        facts = dict(table.schema.metadata)
        if b"rig" in facts:
            facts[b"rig"] = as_it_was(facts[b"rig"].decode()).encode()
            facts[b"rig_sha256"] = layout.rig_hash(facts[b"rig"].decode()).encode()
        old = [name.replace("decided_finding", "decided_cause") for name in table.column_names]
        table = table.rename_columns(old).replace_schema_metadata(facts)
        with pa.OSFile(str(segment), "wb") as file, pa.ipc.new_stream(file, table.schema) as writer:
            writer.write_table(table)
    summary = session / layout.SUMMARY
    said: dict[str, Any] = json.loads(summary.read_bytes())
    said["worst_action"] = said["worst_action"].replace("no_action", "hold")
    summary.write_text(json.dumps(said), encoding="utf-8")


def test_a_session_of_old_words_is_reproduced(tmp_path: Path) -> None:
    """Reviewed, replayed and exported as a session of today, thresholds changed on the way too."""
    tighter = rig_from_text(BRINDLE.text.replace('pull = "0.3 mL"', 'pull = "0.25 mL"'), "t.toml")
    assert tighter.rig != BRINDLE.rig
    samples = list(run(PUMP_STOP, 1))
    recording = Recording(tmp_path / "sessions")
    recording.put(samples[:1200])
    recording.change(tighter)
    recording.put(samples[1200:])
    session = recording.close()
    made_old(session)
    assert "[fault_timing]" in (session / layout.RIG).read_text(encoding="utf-8")
    found = review(session, None)
    assert found.reproduced is True
    assert [one.changes[0].key for one in found.new_terms] == ["debt.pull"]
    assert open_log(session).rig_file.text == BRINDLE.text
    flowdebt(["export", str(session), "--to", str(tmp_path / "out.csv")])
    assert (tmp_path / "out.csv").is_file()


def test_a_quiet_session_of_old_words_is_listed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where nothing was done, today's word is said of it."""
    session = record(tmp_path / "sessions", list(run(PUMP_STOP, 1))[:100])
    made_old(session)
    assert flowdebt(["sessions", str(session.parent), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["worst_action"] == "no_action"


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (
            '[debt]\ntiming = "60 ms"\n',
            'debt.timing: found an old name, expected "delay_tolerance"',
        ),
        ("[fault_timing]\n", 'fault_timing: found an old name, expected "fault_intervals"'),
        ("[debt]\n'timing' = 3\n", 'debt.timing: found an old name, expected "delay_tolerance"'),
    ],
)
def test_a_rig_with_an_old_key_says_what_to_write(more: str, says: str) -> None:
    """One line: file, line, the key, and its name of today; what that names then is read."""
    with pytest.raises(BadInput) as error:
        rig_from_text(SMALL + more, "car.toml")
    line = (SMALL + more).count("\n")
    assert re.fullmatch(rf"car\.toml:{line}: {re.escape(says)}", str(error.value))


@pytest.mark.parametrize("name", shipped_rigs())
def test_old_names_are_renewed_and_nothing_else(name: str) -> None:
    """A rig of today stays as it is to the byte; one of then becomes it; every key is covered."""
    text = load_rig(find_rig(name)).text
    assert with_new_names(text) == text
    assert with_new_names(as_it_was(text)) == text


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('debt.timing = "1 ms"', 'debt.delay_tolerance = "1 ms"'),
        ('debt = { pull = "1 mL", "timing" = "1 ms" }', '"delay_tolerance" = "1 ms"'),
        ('fault_timing.tolerant = "1 s"', 'fault_intervals.tolerant = "1 s"'),
        ("[ fault_timing ]", "[ fault_intervals ]"),
        ('[paid]\ntiming = ["1 deg"]', '[paid]\ntiming = ["1 deg"]'),
        ("# timing = 1\n[debt]\npull = 1", "# timing = 1\n"),
    ],
)
def test_however_an_old_key_is_written(old: str, new: str) -> None:
    """Dotted, inline, quoted; the same word elsewhere or in a comment is left alone."""
    assert new in with_new_names(old)
    assert len(RENAMED) == len(KEYS)
