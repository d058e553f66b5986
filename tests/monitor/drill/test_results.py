"""Results of classes: kept as they come, told as table, CSV and page."""

import csv
import io
from pathlib import Path

import msgspec
import pytest

from monitor.attach.drilling import Note
from monitor.drill.results import (
    LONGEST_LINE,
    Result,
    ResultsFile,
    as_csv,
    as_html,
    in_lines,
    read_results,
    summary_rows,
)
from simulator.strict import BadInput

ONE = Result(
    alias="ann",
    lesson="long_hill",
    title="A long hill",
    seed=3,
    truth="the pump stops, from 12.00 s on",
    called="pump",
    verdict="right",
    onset_s=12.0,
    sign_s=12.2,
    called_s=14.2,
    acted_s=13.0,
    guard_s=None,
    score=82.4,
    parts={"call": 40.0, "engine": 30.0, "work": 12.4},
    harm=4.5,
    guard_harm=4.0,
    nobody_harm=140.0,
    work_kj=900.0,
    notes=[Note(11.0, "look at the flow")],
)
OTHER = msgspec.structs.replace(
    ONE, alias="=2+2", verdict="none", called="", called_s=None, sign_s=None, score=20.0, notes=[]
)


def test_results_come_back_as_they_were_kept(tmp_path: Path) -> None:
    """Of every class in the folder; other files are left alone."""
    file = ResultsFile(tmp_path / "kept")
    for result in (ONE, OTHER):
        file.append(result)
    (tmp_path / "kept" / "notes.txt").write_text("mine", encoding="utf-8")
    assert read_results(tmp_path / "kept") == [ONE, OTHER]


@pytest.mark.parametrize(
    "line",
    [b"{}", b"[" * 5000, b"\xff", msgspec.json.encode(ONE)[:-5], b'"' + b"x" * LONGEST_LINE],
)
def test_a_line_that_is_no_result_is_named(tmp_path: Path, line: bytes) -> None:
    """File and line, in one clear line."""
    path = tmp_path / "a.jsonl"
    path.write_bytes(msgspec.json.encode(ONE) + b"\n" + line + b"\n")
    with pytest.raises(BadInput, match=r"a\.jsonl:2: found") as caught:
        read_results(tmp_path)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 400


def test_a_folder_without_results_is_refused(tmp_path: Path) -> None:
    """And one that isn't there, or where none can be kept."""
    with pytest.raises(BadInput, match="found no results"):
        read_results(tmp_path)
    with pytest.raises(BadInput, match=r"found no such file or .*, expected a folder of results"):
        read_results(tmp_path / "none")
    (tmp_path / "file").touch()
    with pytest.raises(BadInput, match="expected a folder for results"):
        ResultsFile(tmp_path / "file")


def test_the_table_sums_up_by_alias() -> None:
    """Best mean first; then drive by drive."""
    rows = summary_rows([OTHER, ONE, msgspec.structs.replace(ONE, score=60.0, verdict="half")])
    assert rows == [
        ["ann", "2", "71", "1", "1", "0", "0"],
        ["=2+2", "1", "20", "0", "0", "0", "1"],
    ]
    lines = in_lines([ONE, OTHER])
    assert lines[1].split() == ["ann", "1", "82", "1", "0", "0", "0"]
    assert "the pump stops" in lines[-1]


def test_the_csv_has_every_number_and_no_formula() -> None:
    """A row a drive, a column a part of the score."""
    long = msgspec.structs.replace(ONE, called_s=14.200000000000001)
    first, second = csv.DictReader(io.StringIO(as_csv([long, OTHER])))
    assert (first["score"], first["points_call"], first["called_s"]) == ("82.4", "40.0", "14.2")
    assert (second["alias"], second["called_s"]) == ("'=2+2", "")


def test_the_page_shows_all_literally() -> None:
    """What an alias holds is no markup; notes are there."""
    page = as_html([ONE, msgspec.structs.replace(ONE, alias="<b>ann")])
    assert "<b>ann" not in page
    assert "&lt;b&gt;ann" in page
    assert "look at the flow" in page
    assert "+2.0" in page
