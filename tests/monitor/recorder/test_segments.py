"""Segments: a long recording in pieces that read back as one, each of which stands alone."""

from functools import partial
from pathlib import Path

import pyarrow as pa
import pytest

from monitor.recorder import layout
from monitor.review.report import in_words
from monitor.review.review import review
from tests.kit.drives import Driven
from tests.kit.patience import until
from tests.kit.recordings import (
    Recording,
    decided_of,
    has_rows,
    kept_rows,
    noted,
    read,
    record,
)

SAMPLES = Driven("pump_stop", 2)


def test_segments_read_back_as_one_log(tmp_path: Path) -> None:
    """Every row, in order, to the last bit, over all segments; each segment has its number."""
    recording = Recording(tmp_path, segment_rows=500)
    recording.put(SAMPLES)
    session = recording.close()
    names = [path.name for path in layout.segments_of(session)]
    assert names == [f"samples-000{i}.arrow" for i in range(1, 6)]
    rows, decided, blocks = read(session)
    whole, _, _ = read(record(tmp_path / "one", SAMPLES))
    assert rows.tobytes() == whole.tobytes()
    assert decided.tobytes() == decided_of(recording.decisions)
    assert blocks.cut is None
    assert blocks.statistics.decoded == len(SAMPLES)
    notes = [note for note in noted(session) if note["kind"] == "segment"]
    assert [note["rows"] for note in notes] == [500, 500, 500, 500, 400]
    assert [note["bytes"] for note in notes] == [
        path.stat().st_size for path in layout.segments_of(session)
    ]
    assert blocks.notes[-1].ends
    assert review(session, None).reproduced is True


def test_every_segment_is_an_arrow_stream_that_others_can_read(tmp_path: Path) -> None:
    """Byte for byte what pyarrow's own writer makes of the same schema and batches."""
    session = record(tmp_path, SAMPLES[:700], segment_rows=300)
    for path in layout.segments_of(session):
        with pa.ipc.open_stream(path.read_bytes()) as stream:
            schema, batches = stream.schema, list(stream)
        again = pa.BufferOutputStream()
        with pa.ipc.new_stream(again, schema) as writer:
            for batch in batches:
                writer.write_batch(batch)
        assert again.getvalue().to_pybytes() == path.read_bytes()


def test_a_segment_ends_after_its_time_too(tmp_path: Path) -> None:
    """Where rows are few, time ends a segment."""
    recording = Recording(tmp_path, segment_s=0.0)
    for start in range(0, 60, 20):
        recording.put(SAMPLES[start : start + 20])
        until(partial(has_rows, recording, start + 19))
    session = recording.close()
    assert len(layout.segments_of(session)) > 1
    assert kept_rows(session) == 60
    assert review(session, None).reproduced is True


def test_each_start_makes_a_session_of_its_own(tmp_path: Path) -> None:
    """Recordings begun in one and the same second do not touch each other."""
    sessions = [record(tmp_path, SAMPLES[: 10 * (i + 1)]) for i in range(4)]
    assert len(set(sessions)) == 4
    assert [kept_rows(session) for session in sessions] == [10, 20, 30, 40]


@pytest.mark.parametrize("lost", [1, 2, 3])
def test_a_segment_that_is_gone_is_missed(tmp_path: Path, lost: int) -> None:
    """Without one segment the rest still reproduces: each says what the guard remembered."""
    session = record(tmp_path, SAMPLES, segment_rows=600)
    layout.segments_of(session)[lost - 1].unlink()
    result = review(session, None)
    assert result.rows == 1800
    assert result.cut == f"600 rows were recorded before samples-000{lost + 1}.arrow, and gone"
    assert result.reproduced is True


def test_a_last_segment_that_is_gone_is_missed(tmp_path: Path) -> None:
    """The end record knows how many rows there were."""
    session = record(tmp_path, SAMPLES, segment_rows=600)
    layout.segments_of(session)[-1].unlink()
    assert review(session, None).cut == "found 1800 rows, expected 2400 (end record)"


def test_a_segment_cut_anywhere_reads_to_the_cut(tmp_path: Path) -> None:
    """Cut in the middle of three, it costs its own tail alone, says so, and reproduces."""
    session = record(tmp_path, SAMPLES[:900], segment_rows=300)
    path = layout.segments_of(session)[1]
    whole = path.read_bytes()
    for cut in range(0, len(whole), 499):
        path.write_bytes(whole[:cut])
        result = review(session, None)
        assert 600 <= result.rows < 900
        assert "recorded before samples-0003.arrow, and gone" in str(result.cut)
        assert result.reproduced is True


def test_a_segment_that_is_something_else_is_said_to_be(tmp_path: Path) -> None:
    """A stream with other columns, or no stream at all, is passed over and named."""
    session = record(tmp_path, SAMPLES[:900], segment_rows=300)
    path = layout.segments_of(session)[1]
    table = pa.table({"time_s": [1.0], "boost_kpa": ["high"]})
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_stream(file, table.schema) as writer:
        writer.write_table(table)
    assert "samples-0002.arrow is cut off or damaged: found other" in str(review(session, None).cut)
    path.write_bytes(b"\xff" * 5000)
    assert "samples-0002.arrow is cut off" in "\n".join(in_words(review(session, None)))


def test_damage_inside_a_segment_is_no_traceback(tmp_path: Path) -> None:
    """Bytes overwritten anywhere: other numbers, or a segment said to be damaged."""
    session = record(tmp_path, SAMPLES[:600], segment_rows=200)
    path = layout.segments_of(session)[1]
    whole = path.read_bytes()
    cuts = set()
    for at in range(0, len(whole) - 8, len(whole) // 150):
        path.write_bytes(whole[:at] + b"\xff\x81\x00\xfe" + whole[at + 4 :])
        result = review(session, None)
        assert 400 <= result.rows <= 600
        cuts.add(result.cut is not None)
    assert cuts == {True, False}
