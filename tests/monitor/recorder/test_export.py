"""Sessions for other programs: to the last bit, with the same decisions, never over a file."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import monitor.recorder.export as export_module
from monitor.cli import run as flowdebt
from monitor.recorder import layout
from monitor.recorder.export import export
from monitor.recorder.reader import SessionBlocks
from monitor.recorder.span import readings_of
from monitor.review.review import review
from monitor.sources.logs.open import log_blocks
from rules.channels import CHANNEL_NAMES, OPERATOR_ACKNOWLEDGE, Sample, tick
from simulator import logfile
from simulator.logfile import mapped
from simulator.rig import RigFile, load_rig, rig_from_text
from simulator.strict import BadInput
from tests.kit.drives import Driven
from tests.kit.recordings import BRINDLE, Recording, mounted, record
from tests.kit.rig_text import SMALL

SAMPLES = Driven("pump_stop", 2)
KINDS = ("csv", "parquet")


def rows_of(path: Path, rig_file: RigFile) -> Any:
    """Return a log's rows."""
    return np.concatenate(list(log_blocks(path, rig_file)))


def rows_of_session(session: Path) -> Any:
    """Return a session's rows."""
    return np.concatenate(list(SessionBlocks(session)))


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pump stop in segments, with 5 s of silence, a nan, and the operator's hand in it."""
    samples = SAMPLES[:]
    samples[500] = samples[500]._replace(delivered_ml_min=float("nan"))
    recording = Recording(tmp_path_factory.mktemp("sessions"), segment_rows=700)
    recording.put(samples[:1000])
    recording.put(samples[1500:1700])
    recording.put([tick(samples[1699].time_s, OPERATOR_ACKNOWLEDGE)])
    recording.put(samples[1700:])
    return recording.close()


@pytest.mark.parametrize("kind", KINDS)
def test_every_number_and_every_decision_comes_back(
    session: Path, tmp_path: Path, kind: str
) -> None:
    """Rows to the last bit, ticks and the operator's hand too; the same events, by its own rig."""
    path = tmp_path / f"out.{kind}"
    done = export(session, path)
    rows = rows_of_session(session)
    assert (done.rows, done.cut) == (int(readings_of(rows).sum()), None)
    assert done.rows < len(rows)
    rig = session / layout.RIG
    assert rows_of(path, load_rig(rig)).tobytes() == rows_of_session(session).tobytes()
    from_file, from_session = review(path, str(rig)), review(session, None)
    assert from_session.reproduced is True
    assert len(from_session.events) >= 4
    assert from_file.events == from_session.events
    assert (from_file.rows, from_file.span.to_s) == (from_session.rows, from_session.span.to_s)


ODD = [float("nan"), float("-inf"), -0.0, 5e-324, 1e300, 1 / 3, -1e-7, 123456789.0625, 0.1 + 0.2]


@pytest.mark.parametrize("kind", KINDS)
def test_odd_numbers_come_back(tmp_path: Path, kind: str) -> None:
    """Not sent, nan, minus nought, the smallest number and long fractions, in every channel."""
    samples = [
        Sample(0.01 * i, *(ODD[(i + j) % len(ODD)] for j in range(len(CHANNEL_NAMES))))
        for i in range(40)
    ]
    recorded = record(tmp_path, samples)
    path = tmp_path / f"out.{kind}"
    export(recorded, path)
    assert rows_of(path, BRINDLE).tobytes() == rows_of_session(recorded).tobytes()


OWN_NAME_OTHER_UNIT = rig_from_text(
    SMALL.replace("[channels.boost_kpa]", '[channels.boost_kpa]\nunit = "psi"\nabsolute = true')
    + '[time]\ncolumn = "t"\nunit = "ms"\n',
    "own.toml",
)


@pytest.mark.parametrize("kind", KINDS)
def test_a_rig_that_gives_our_names_its_own_units_reads_it_right(tmp_path: Path, kind: str) -> None:
    """A rig may call a column in psi absolute "boost_kpa"; an export is in kPa, and read so."""
    recorded = record(tmp_path, SAMPLES[:300], OWN_NAME_OTHER_UNIT)
    path = tmp_path / f"out.{kind}"
    export(recorded, path)
    rows = rows_of(path, OWN_NAME_OTHER_UNIT)
    assert rows.tobytes() == rows_of_session(recorded).tobytes()


def test_csv_is_as_rfc_4180_has_it(session: Path, tmp_path: Path) -> None:
    """A header of our own names, lines that end in CR LF, an empty field for what was not sent."""
    path = tmp_path / "out.csv"
    export(session, path)
    text = path.read_bytes()
    head, *lines = text.split(b"\r\n")
    names = mapped(BRINDLE.rig)
    assert head.decode().split(",") == ["time_s", *names, "clock_pace", "operator"]
    assert lines.pop() == b""
    assert b"\n" not in b"".join(lines)
    assert all(line.count(b",") == len(names) + 2 for line in lines)
    ticks = [line for line in lines if set(line.split(b",")[1:-1]) == {b""}]
    assert len(ticks) == len(rows_of_session(session)) - 1900
    assert sum(line.endswith(b",1") for line in lines) == 1


def test_parquet_says_units_and_what_was_decided(session: Path, tmp_path: Path) -> None:
    """Each column's unit and meaning stand in its metadata; decisions are columns too."""
    path = tmp_path / "out.parquet"
    export(session, path)
    table = pq.read_table(path)
    units = {field.name: field.metadata[b"unit"].decode() for field in table.schema}
    assert units["time_s"] == "s"
    assert (units["boost_kpa"], units["delivered_ml_min"], units["intake_c"]) == (
        *("kPa", "mL/min", "degC"),
    )
    assert (units["decided_debt_ml"], units["decided_retard_deg"]) == ("mL", "deg")
    assert (units["decided_evidence"], units["decided_least_ml_min"]) == ("nats", "mL/min")
    assert table.schema.field("decided_action").metadata[b"meaning"] == (
        b"0 no_action, 1 warn, 2 pull_timing, 3 cut_boost"
    )
    blocks = SessionBlocks(session)
    decided = np.concatenate([blocks.decided for _ in blocks])
    columns = [table.column(f"decided_{name}").to_numpy() for name in layout.DECIDED]
    assert np.column_stack(columns).tobytes() == decided.tobytes()
    facts = table.schema.metadata
    assert facts[b"rig"] == b"Brindle 1.8"
    assert facts[b"rig_toml"].decode() == BRINDLE.text
    assert b"not_whole" not in pq.ParquetFile(path).metadata.metadata


@pytest.mark.parametrize("kind", KINDS)
def test_a_range(session: Path, tmp_path: Path, kind: str) -> None:
    """Only rows within the range, both ends included, by the times a review shows."""
    path = tmp_path / f"out.{kind}"
    arguments = ["export", str(session), "--to", str(path), "--from", "5.5", "--until", "8"]
    assert flowdebt(arguments) == 0
    rows = rows_of_session(session)
    within = rows[(rows[:, 0] >= 5.5) & (rows[:, 0] <= 8.0)]
    assert rows_of(path, BRINDLE).tobytes() == within.tobytes()
    assert len(within) == 251


def test_a_cut_session_says_so(session: Path, tmp_path: Path, capsys: Any) -> None:
    """What is missing is told on the way out, and stands in a Parquet file."""
    copy = tmp_path / "copy"
    copy.mkdir()
    for file in session.iterdir():
        (copy / file.name).write_bytes(file.read_bytes())
    layout.segments_of(copy)[1].unlink()
    assert flowdebt(["export", str(copy), "--to", str(tmp_path / "out.parquet")]) == 0
    err = capsys.readouterr().err
    assert "700 rows were recorded before samples-0003.arrow, and gone" in err
    facts = pq.ParquetFile(tmp_path / "out.parquet").metadata.metadata
    assert b"700 rows were" in facts[b"not_whole"]
    assert flowdebt(["export", str(copy), "--to", str(tmp_path / "out.csv")]) == 0
    assert "the recording is not whole: 700 rows" in capsys.readouterr().err
    assert len(rows_of(tmp_path / "out.csv", BRINDLE)) == len(rows_of_session(copy))


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ("{session} --to there.csv", "there.csv: found a file, expected none"),
        ("{session} --to there.parquet", "nothing is overwritten"),
        ("{session} --to out.xls", "out.xls: found .xls, expected .csv or .parquet"),
        ("{session} --to none/out.csv", "none/out.csv: found no such file"),
        (
            "{session} --to out.csv --from 90",
            "found no rows from 90 s on, expected some of its 1900 rows, ",
        ),
        ("{session} --to out.csv --from 9 --until 3", "expected no more than --until 3 s"),
        ("{session} --to out.csv --from nan", "--from: found nan s"),
        (". --to out.csv", "expected a session"),
        ("nowhere --to out.csv", "expected a session"),
    ],
)
def test_what_cannot_be_exported_is_one_clear_error(
    session: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: str,
    expected: str,
) -> None:
    """Exit code 2, one line, nothing written, nothing overwritten."""
    monkeypatch.chdir(tmp_path)
    for name in ("there.csv", "there.parquet"):
        (tmp_path / name).write_text("precious", encoding="utf-8")
    assert flowdebt(["export", *arguments.format(session=session).split()]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert expected in line
    assert sorted(path.name for path in tmp_path.iterdir()) == ["there.csv", "there.parquet"]
    assert (tmp_path / "there.csv").read_text(encoding="utf-8") == "precious"


@pytest.mark.parametrize("kind", KINDS)
def test_an_export_that_fails_leaves_no_half_file(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """A disk that fills half way: one clear error, and the unfinished file is gone."""
    writer = export_module if kind == "csv" else logfile
    columns = writer.columns_of
    calls = []

    def failing(*arguments: Any) -> Any:
        calls.append(arguments)
        if len(calls) > 2:
            raise OSError(28, "No space left on device")
        return columns(*arguments)

    monkeypatch.setattr(writer, "columns_of", failing)
    path = tmp_path / f"out.{kind}"
    with pytest.raises(BadInput, match="found no space left on device, expected a file to write"):
        export(session, path)
    assert not path.exists()


@pytest.mark.parametrize("kind", KINDS)
def test_a_real_full_disk_leaves_no_half_file(session: Path, tmp_path: Path, kind: str) -> None:
    """The same on a disk of 48 kB in memory."""
    folder = tmp_path / "small"
    folder.mkdir()
    if sys.platform != "linux" or not mounted(folder, "size=48k"):
        pytest.skip("mounting is not permitted here")
    try:
        with pytest.raises(BadInput, match="found no space left on device, expected"):
            export(session, folder / f"out.{kind}")
        assert list(folder.iterdir()) == []
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.parametrize("kind", KINDS)
def test_memory_is_bounded(tmp_path: Path, kind: str) -> None:
    """A block at a time: what pyarrow holds does not grow with the session."""
    recorded = record(tmp_path, SAMPLES)
    (segment,) = layout.segments_of(recorded)
    with pa.ipc.open_stream(segment.read_bytes()) as stream:
        schema, batches = stream.schema, list(stream)
    peaks = []
    for laps in (40, 160):
        with pa.OSFile(str(segment), "wb") as file, pa.ipc.new_stream(file, schema) as writer:
            for _ in range(laps):
                for batch in batches:
                    writer.write_batch(batch)
        usual = pa.default_memory_pool()
        pool = pa.proxy_memory_pool(usual)
        pa.set_memory_pool(pool)
        try:
            export(recorded, tmp_path / f"{laps}.{kind}")
        finally:
            pa.set_memory_pool(usual)
        peaks.append(pool.max_memory())
    assert 1e6 < peaks[0] < 60e6
    assert peaks[1] < 1.2 * peaks[0]
