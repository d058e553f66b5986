"""CSV logs as people have them: delimiters, encodings, units, damage, and one clear error."""

import csv
import io
from collections.abc import Sequence
from contextlib import suppress
from math import inf, isnan, nan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.attach.facts import Latency, ListenerCounts, Statistics
from monitor.source_facts import SourceStatistics
from monitor.sources.base import Arrival, Notice
from monitor.sources.lines.columns import Rejected
from monitor.sources.lines.stream import StreamDecoder
from monitor.sources.lines.text_lines import LineDecoder
from monitor.sources.logs.csv_blocks import SMALL_BLOCK_BYTES, CsvBlocks
from monitor.sources.recorded import TEXT_CELLS, RecordedSource
from monitor.words import counts
from rules.channels import NOT_SENT, Sample, is_time
from simulator.logfile import number
from simulator.rig import RigFile, find_rig, load_rig, rig_from_text
from simulator.strict import BadInput
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
LAMBDA = rig_from_text(SMALL + "[channels.lambda_ratio]\n", "lambda.toml")
BOOST = Sample._fields.index("boost_kpa")
HEADER = "time_s,boost_kpa,delivered_ml_min\n"
# RFC 4180, section 2: a quote doubled inside quotes, a line break inside quotes, CRLF line ends,
# the last one optional. Text and fields as the RFC's rules 2 and 5 to 7 give them.
RFC4180_TEXT = '"aaa","b ""x"" b","c\r\nd"\r\n'
RFC4180_FIELDS = ["aaa", 'b "x" b', "c\r\nd"]


def write(folder: Path, content: str | bytes) -> Path:
    """Write a log."""
    path = folder / "log.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def read(folder: Path, content: str | bytes, rig: RigFile = RIG) -> list[Sample]:
    """Return the samples of a log; what came in must add up."""
    blocks = CsvBlocks(write(folder, content), rig)
    found = [Sample(*row) for block in blocks for row in block.tolist()]
    counts = blocks.statistics
    assert counts.received == counts.decoded + counts.rejected.total()
    assert counts.decoded == len(found)
    return found


def readings(samples: Sequence[Sample]) -> list[tuple[float, float, float]]:
    """Return time, boost and flow of each sample."""
    return [(s.time_s, s.boost_kpa, s.delivered_ml_min) for s in samples]


def complaint(folder: Path, content: str | bytes, rig: RigFile = RIG) -> str:
    """Return the one line that a log is refused with, without the path's folder."""
    with pytest.raises(BadInput) as caught:
        read(folder, content, rig)
    message = str(caught.value)
    assert message.isprintable()
    return message[message.index("log.csv") :] if "log.csv" in message else message


def test_quoting_as_rfc_4180_has_it(tmp_path: Path) -> None:
    """The RFC's own case, as a header and as cells beside the numbers, changes no number."""
    assert next(csv.reader(io.StringIO(RFC4180_TEXT, newline=""))) == RFC4180_FIELDS
    quoted = RFC4180_TEXT.removesuffix("\r\n")
    blocks = CsvBlocks(
        write(tmp_path, f'{quoted},"time_s",boost_kpa,delivered_ml_min\r\n{quoted},"1",2,3'), RIG
    )
    assert list(blocks.layout.names) == [*RFC4180_FIELDS, "time_s", "boost_kpa", "delivered_ml_min"]
    assert readings([Sample(*row) for block in blocks for row in block.tolist()]) == [(1, 2, 3)]


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


def test_units_of_the_log_against_hand_numbers(tmp_path: Path) -> None:
    """Tarnwick's log: ms, psi absolute, degF, a header with a comma in quotes, cc/min.

    36.7 psi absolute less 14.7 psi is 22 psi = 22 x 6.894757293168 kPa = 151.684660 kPa; 95 degF
    is 35 degC; 110 psi gauge is 758.423302 kPa (1 psi from NIST SP 811, appendix B).
    """
    text = (
        'clock ms,crank turns/min,manifold absolute psi,injectors open %,"air after spray, °F",'
        "knock deg back,spray cc/min,spray line psi,pump volts,More\n"
        "1250,5500,36.7,80,95,0.5,450,110,13.8,x\n"
    )
    (sample,) = read(tmp_path, text, load_rig(find_rig("tarnwick")))
    assert sample.time_s == 1.25
    assert sample.boost_kpa == pytest.approx(151.684660, abs=1e-6)
    assert sample.intake_c == pytest.approx(35.0, abs=1e-9)
    assert sample.line_kpa == pytest.approx(758.423302, abs=1e-6)
    assert sample.delivered_ml_min == pytest.approx(450.0, abs=1e-9)
    assert (sample.engine_speed_rpm, sample.knock, sample.supply_v) == (5500.0, 0.5, 13.8)
    assert (sample.commanded_ml_min, sample.lambda_ratio) == (NOT_SENT, NOT_SENT)


def test_extra_columns_and_quoted_headers(tmp_path: Path) -> None:
    """Columns nobody maps may hold anything; names and cells may be quoted or padded."""
    text = '"x", time_s ,"boost_kpa",note,delivered_ml_min\nabc,0,"1",,2\n"d,e",1,2,"f\ng",3\n'
    assert readings(read(tmp_path, text)) == [(0.0, 1.0, 2.0), (1.0, 2.0, 3.0)]


@pytest.mark.parametrize("cell", ["", " ", "   ", "-", "--", "---", "NA", "N/A", "n/a", "null"])
def test_missing_cells_are_not_sent(tmp_path: Path, cell: str) -> None:
    """A cell that is empty, or says so, was not sent; a row whose time wasn't is none."""
    found = read(tmp_path, HEADER + f"0,1,2\n1,{cell},3\n{cell},4,5\n2,6,7\n")
    assert readings(found)[1:] == [(1.0, NOT_SENT, 3.0), (2.0, 6.0, 7.0)]


@pytest.mark.parametrize("cell", ["nan", "NaN", "NAN", "inf", "-inf", "1e999", "-1e999"])
@pytest.mark.parametrize("first", [True, False])
def test_cells_that_are_no_number(tmp_path: Path, cell: str, first: bool) -> None:
    """nan, and whatever is not finite, was sent and is not a number: never "not sent"."""
    rows = [f"0,{cell},{cell}\n", "1,2,3\n"]
    found = read(tmp_path, HEADER + "".join(rows if first else rows[::-1]))
    sample = found[0 if first else 1]
    assert isnan(sample.boost_kpa)
    assert isnan(sample.delivered_ml_min)
    assert len(found) == 2


def test_what_overflows_in_conversion_is_not_a_number(tmp_path: Path) -> None:
    """A reading that overflows on its way to kPa is no number; a missing one stays missing."""
    rig = rig_from_text(
        SMALL.replace("[channels.boost_kpa]", '[channels.boost_kpa]\nunit = "psi"'), "psi.toml"
    )
    found = read(tmp_path, HEADER + "0,1e308,1\n1,-1e308,1\n2,,1\n3,10,1\n", rig)
    assert [isnan(sample.boost_kpa) for sample in found] == [True, True, False, False]
    assert found[2].boost_kpa == NOT_SENT
    assert found[3].boost_kpa == pytest.approx(68.94757293168)


def test_rows_cut_off_are_left_out_and_counted(tmp_path: Path) -> None:
    """Rows with fields lost or added (a power loss in the middle of a line) are counted."""
    path = write(tmp_path, HEADER + "0,1,2\n1,2\n2,3,4,5\n3,4,5\n4,")
    blocks = CsvBlocks(path, RIG)
    found = [row[0] for block in blocks for row in block.tolist()]
    assert found == [0.0, 3.0]
    assert blocks.statistics.rejected == {"number of fields": 3}
    assert blocks.statistics.received == 5


@pytest.mark.parametrize("cell", ["abc", "1_0", "0x10", "1.2.3", "12:30", "٣", "5 kPa", "+", "1,5"])
def test_a_column_of_text_is_named_by_line_and_column(tmp_path: Path, cell: str) -> None:
    """No number in it: the error says which file, line and column, and what stands there."""
    cell_text = f'"{cell}"' if "," in cell else cell
    text = "# more\n" + HEADER + "0,,2\n\n1,,2\n" + f"2,{cell_text},3\n"
    point = " with a decimal point" if "," in cell else ""
    wanted = f'log.csv:6: boost_kpa: found "{cell}", expected a number{point}'
    assert complaint(tmp_path, text) == wanted


def test_a_text_cell_far_down_is_named_too(tmp_path: Path) -> None:
    """Also behind many blocks, and with a decimal comma: not a number, and told by its line."""
    text = HEADER.replace(",", ";") + "0,5;1,5;2\n" * 200_000 + "0,5;1.5;2\n"
    blocks = CsvBlocks(write(tmp_path, text), RIG)
    rows = np.concatenate(list(blocks))
    assert len(rows) == 200_001
    assert isnan(rows[-1][BOOST])
    assert set(rows[:-1, BOOST]) == {1.5}
    assert blocks.statistics.no_numbers == 1
    assert blocks.no_numbers() == ['200002: boost_kpa: found "1.5"']


def test_text_here_and_there_is_no_number_and_all_else_as_it_was(tmp_path: Path) -> None:
    """The same rows as with ``nan`` in those cells, in any block, and rows cut off counted once."""
    kept = [f"{i / 100},{i % 7},{3 + i % 5}\n" for i in range(40_000)]
    kept[20_000] = "200.0,1\n"
    texts, nans = list(kept), list(kept)
    for at, boost in ((11, "x"), (25_000, "ERR"), (25_001, "5 kPa"), (39_999, "=")):
        texts[at], nans[at] = (f"{at / 100},{word},3\n" for word in (boost, "nan"))
    found = []
    for name, lines in (("texts", texts), ("nans", nans)):
        (tmp_path / name).mkdir()
        path = write(tmp_path / name, HEADER + "".join(lines))
        blocks = CsvBlocks(path, RIG, block_bytes=SMALL_BLOCK_BYTES)
        found.append(np.concatenate(list(blocks)))
        assert blocks.statistics.no_numbers == (4 if name == "texts" else 0)
        assert blocks.statistics.rejected == {"number of fields": 1}
        assert (blocks.statistics.received, blocks.statistics.decoded) == (40_000, 39_999)
        first = ['13: boost_kpa: found "x"', '25002: boost_kpa: found "ERR"']
        assert blocks.no_numbers()[:2] == (first if name == "texts" else [])
    assert found[0].tobytes() == found[1].tobytes()


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("", "log.csv: found an empty file"),
        ("\n \n", "log.csv: found an empty file"),
        (HEADER, "log.csv: found no rows of numbers after line 1"),
        (HEADER.strip(), "log.csv: found no rows of numbers after line 1"),
        (HEADER + "s,kPa,mL/min\n", "log.csv: found no rows of numbers after line 2"),
        (HEADER + "1,2\n", "log.csv: found no rows of numbers"),
        (HEADER + "0,5,1,5,2,0\n", "are these decimal commas? Write decimal points"),
        (HEADER + '"0,5","1,5","2,0"\n', 'log.csv:2: time_s: found "0,5", expected a number with'),
        (bytes(range(256)) * 8, "log.csv: found bytes that are not text"),
        (bytes(range(128, 256)) * 8, "log.csv:1: found"),
        (b"\xff\xfe", "log.csv:1: found"),
        ("1,2,3\n4,5,6\n", 'log.csv:1: found "1,2,3", expected a header'),
        ("a,b\n1,2\n", 'such as "time_s"'),
        ("\x1b]0;evil\x07,b\n1,2\n", "log.csv:1: found"),
        ("time_s,boost_kpa\n0,1\n", 'expected one column "delivered_ml_min"'),
        ("boost_kpa,delivered_ml_min\n0,1\n", 'expected one column "time_s" for time'),
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


def test_a_file_that_goes_away_while_it_is_read(tmp_path: Path) -> None:
    """Removed between a look at its head and the reading: bad input, no traceback."""
    path = write(tmp_path, HEADER + "0,1,2\n")
    blocks = CsvBlocks(path, RIG)
    path.unlink()
    with pytest.raises(BadInput, match=r"log\.csv"):
        list(blocks)


FLOATS = st.one_of(
    st.floats(allow_infinity=False),
    st.sampled_from([NOT_SENT, -0.0, 5e-324, 1.7976931348623157e308, 2.0**-1074, 0.1, 1 / 3]),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(FLOATS, FLOATS, FLOATS), min_size=1, max_size=12))
def test_a_file_and_a_wire_read_the_same_bits(
    tmp_path: Path, values: list[tuple[float, float, float]]
) -> None:
    """The same text through a CSV log and through a serial port gives the same samples exactly."""
    lines = [",".join(number(value) for value in row) for row in values]
    decoder = LineDecoder(RIG, "line")
    decoder.decode(HEADER.strip().encode(), 0.0)
    wire = []
    for line in lines:
        with suppress(Rejected):
            wire.append(decoder.decode(line.encode(), 0.0))
    # A file without any row of numbers is refused whole.
    file = read(tmp_path, HEADER + "\n".join([*lines, "0,0,0"]) + "\n")[:-1]
    assert [repr(sample) for sample in file] == [repr(sample) for sample in wire]
    timed = [(t, b, f) for t, b, f in values if is_time(t)]
    assert repr([readings([sample])[0] for sample in file]) == repr(timed)


def test_blocks_of_any_size_give_the_same(tmp_path: Path) -> None:
    """Small blocks (for a reader on a loop) and large ones give the same rows."""
    text = HEADER + "".join(f"{i / 100},{i % 97},{i % 89}\n" for i in range(50_000))
    path = write(tmp_path, text)
    small = list(CsvBlocks(path, RIG, block_bytes=SMALL_BLOCK_BYTES))
    large = list(CsvBlocks(path, RIG))
    assert len(small) > len(large)
    joined: list[Any] = [np.concatenate(blocks) for blocks in (small, large)]
    assert np.array_equal(joined[0], joined[1])
    assert len(joined[0]) == 50_000


@pytest.mark.asyncio
async def test_a_replay_tells_once_of_text_in_place_of_numbers(tmp_path: Path) -> None:
    """And counts it, so that it stands among the statistics; the rows come as they are."""
    path = write(tmp_path, HEADER + "0,1,2\n1,x,2\n2,3,y\n3,4,5\n")
    source = RecordedSource(path, CsvBlocks(path, RIG), speed=inf)
    async with source:
        items = [item async for item in source]
    told = [item.text for item in items if isinstance(item, Notice) and item.kind == "unusable"]
    assert told == [f"{TEXT_CELLS}; flowdebt review names the lines"]
    boosts = [item.sample.boost_kpa for item in items if isinstance(item, Arrival)]
    assert boosts == pytest.approx([1.0, nan, 3.0, 4.0], nan_ok=True)
    none = Latency(0, 0.0, 0.0, 0.0, 0.0)
    counted = Statistics.of(
        source.statistics, decided=4, late=0, latency=none, counts=ListenerCounts()
    )
    lines = list(counts.lines(counted))
    assert counts.Line("no number", "2 cells with text, never healthy", True) in lines


@pytest.mark.parametrize("field", [b"1_0", b"0x1", "٣".encode(), b"1.2.3", b"abc"])
def test_what_a_wire_rejects_is_no_number_in_a_file(tmp_path: Path, field: bytes) -> None:
    """Neither reads noise as a number."""
    decoder = LineDecoder(RIG, "line")
    decoder.decode(HEADER.strip().encode(), 0.0)
    with pytest.raises(Rejected):
        decoder.decode(b"0," + field + b",1", 0.0)
    path = write(tmp_path, HEADER.encode() + b"0," + field + b",1\n1,2,3\n")
    ((first, second),) = (block[:, BOOST] for block in CsvBlocks(path, RIG))
    assert isnan(first)
    assert second == 2.0


def test_a_counter_that_wraps_in_a_log(tmp_path: Path) -> None:
    """A 32-bit counter of milliseconds goes on over its end, in a file as on a wire."""
    rig = rig_from_text(SMALL + '[time]\nunit = "ms"\n', "ms.toml")
    counts = [(2**32 - 5000 + 10 * i) % 2**32 for i in range(1000)]
    lines = [f"{count},1,2" for count in counts]
    decoder = StreamDecoder(rig, "line", SourceStatistics())
    decoder.decode(HEADER.strip().encode(), nan)
    wire = [sample for line in lines for sample in decoder.decode(line.encode(), nan)]
    blocks = CsvBlocks(write(tmp_path, HEADER + "\n".join(lines)), rig, block_bytes=1000)
    for _ in range(2):  # a log may be read twice
        file = [Sample(*row) for block in blocks for row in block.tolist()]
        assert file == wire
        assert blocks.statistics.clock == {"wrapped": 1}
    assert np.diff([sample.time_s for sample in file]) == pytest.approx(0.01)
