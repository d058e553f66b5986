"""How a CSV log is written: found out from its head."""

from pathlib import Path

import pytest

from monitor.sources.logs.csv_blocks import CsvBlocks
from simulator.rig import rig_from_text
from simulator.strict import BadInput
from tests.kit.csv_logs import HEADER, RIG, complaint, read, readings
from tests.kit.rig_text import SMALL

LAMBDA = rig_from_text(SMALL + "[channels.lambda_ratio]\n", "lambda.toml")


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("last", ["", "end"])
def test_delimiters_and_line_ends(tmp_path: Path, delimiter: str, end: str, last: str) -> None:
    """Comma, semicolon, tab and bar; LF and CRLF; a last line end or none."""
    text = (HEADER + "0.5,-1.5,20\n1,2,3\n").replace(",", delimiter).replace("\n", end)
    found = read(tmp_path, text if last else text.removesuffix(end))
    assert readings(found) == [(0.5, -1.5, 20.0), (1.0, 2.0, 3.0)]


@pytest.mark.parametrize("first", ["0,25;-1,5;2", "0;1;2", "0;-1,5;2,25", "0;,5;nan"])
def test_decimal_commas(tmp_path: Path, first: str) -> None:
    """Decimal commas are found also where the first row happens to have none."""
    found = read(tmp_path, HEADER.replace(",", ";") + first + "\n1,75;2;3,125e1\n")
    assert readings(found)[1] == (1.75, 2.0, 31.25)
    by_hand = [float(cell.replace(",", ".")) for cell in first.split(";")]
    assert repr(readings(found)[0]) == repr(tuple(by_hand))


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]
)
@pytest.mark.parametrize("rows", [3, 60_000])
def test_encodings(tmp_path: Path, encoding: str, rows: int) -> None:
    """Byte order marks, UTF-16 of either order and Latin-1, also over many blocks."""
    bom = {"utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}.get(encoding, b"")
    text = "# logged at 20 °C\nT (°C)," + HEADER + "21,0.5,1.5,2\n" * rows
    found = read(tmp_path, bom + text.encode(encoding))
    assert readings(found) == [(0.5, 1.5, 2.0)] * rows


def test_lines_before_the_header_units_and_blank_lines(tmp_path: Path) -> None:
    """Comments, a row of units (lambda's is "1") and blank lines are no rows of numbers."""
    text = (
        "# a log, of time_s and more\r\n\r\nsome logger;v1.2\r\n"
        "time_s,boost_kpa,delivered_ml_min,lambda_ratio\r\ns,kPa,mL/min,1\r\n\r\n"
        "0,1,2,0.8\r\n\r\n1,2,3,0.9\r\n\r\n"
    )
    found = read(tmp_path, text, LAMBDA)
    assert readings(found) == [(0.0, 1.0, 2.0), (1.0, 2.0, 3.0)]
    assert [sample.lambda_ratio for sample in found] == [0.8, 0.9]


@pytest.mark.parametrize("mark", ["#", "# "])
def test_a_header_that_is_marked_as_a_comment(tmp_path: Path, mark: str) -> None:
    """Some loggers mark all that is no number; a rig may know the name either way."""
    found = read(tmp_path, f"# some logger\n{mark}{HEADER}0,1,2\n")
    assert readings(found) == [(0.0, 1.0, 2.0)]
    as_written = SMALL.replace("[channels.boost_kpa]", '[channels.boost_kpa]\ncolumn = "#map"', 1)
    log = "#map,time_s,delivered_ml_min\n1,0,2\n"
    assert readings(read(tmp_path, log, rig_from_text(as_written, "a.toml"))) == [(0.0, 1.0, 2.0)]


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("# some logger\n\nspeed,air\n1,2\n", 'log.csv:3: found "speed,air", expected a header'),
        ("", "log.csv: found an empty file"),
        ("\n \n", "log.csv: found an empty file"),
        (HEADER, "log.csv:1: found no rows of numbers below this line"),
        (HEADER.strip(), "log.csv:1: found no rows of numbers below this line"),
        (HEADER + "s,kPa,mL/min\n", "log.csv:2: found no rows of numbers below this line"),
        (HEADER + "1,2\n", "log.csv:2: found rows of 2 fields under a header of 3, expected as"),
        (HEADER + "0,5,1,5,2,0\n", "are these decimal commas? Write decimal points"),
        (HEADER + '"0,5","1,5","2,0"\n', 'log.csv:2: time_s: found "0,5", expected a number with'),
        (
            bytes(range(256)) * 8,
            "text nor how a Parquet or Arrow file begins, expected a log (CSV,",
        ),
        (bytes(range(128, 256)) * 8, "log.csv:1: found"),
        (b"\xff\xfe", "log.csv:1: found"),
        ("1,2,3\n4,5,6\n", 'log.csv:1: found "1,2,3", expected a header'),
        ("a,b\n1,2\n", 'such as "time_s"'),
        ("\x1b]0;evil\x07,b\n1,2\n", "log.csv:1: found"),
        ("time_s,boost_kpa\n0,1\n", 'found no column "delivered_ml_min"'),
        ("boost_kpa,delivered_ml_min\n0,1\n", 'found no column "time_s"'),
        ("time_s,boost_kpa,boost_kpa,delivered_ml_min\n0,1,2,3\n", "column twice: boost_kpa"),
    ],
)
def test_what_is_no_log_is_refused_in_one_line(
    tmp_path: Path, content: str | bytes, expected: str
) -> None:
    """Empty, a header alone, binary, another file: one line names the file and what's wrong."""
    assert expected in complaint(tmp_path, content)


def test_what_cannot_be_opened(tmp_path: Path) -> None:
    """A folder, a missing file, a link to itself: the error gives the system's reason."""
    loop = tmp_path / "loop.csv"
    loop.symlink_to(loop)
    for path, reason in (
        (tmp_path, "a folder"),
        (tmp_path / "none.csv", "no such file"),
        (loop, "symbolic links"),
        (tmp_path / ("x" * 300), "too long"),
    ):
        with pytest.raises(BadInput, match=reason):
            CsvBlocks(path, RIG)
