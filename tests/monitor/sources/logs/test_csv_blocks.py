"""CSV logs as people have them: quoting, units, damage, and one clear error."""

import csv
import io
from contextlib import suppress
from math import isnan, nan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.review.review import review
from monitor.source_facts import SourceStatistics
from monitor.sources.lines.line_decoder import LineDecoder
from monitor.sources.lines.stream import StreamDecoder
from monitor.sources.lines.strict_numbers import Rejected
from monitor.sources.logs import csv_blocks
from monitor.sources.logs.csv_blocks import SMALL_BLOCK_BYTES, CsvBlocks
from rules.channels import NOT_SENT, Sample, is_time
from simulator.logfile import mapped, number, write_csv
from simulator.plant import run
from simulator.rig import find_rig, load_rig, rig_from_text
from simulator.scenario import scenario_from_text
from simulator.strict import BadInput
from tests.kit.csv_logs import BOOST, HEADER, RIG, read, readings, write
from tests.kit.rig_text import SMALL

# RFC 4180, section 2: a quote doubled inside quotes, a line break inside quotes, CRLF line ends,
# the last one optional. Text and fields as the RFC's rules 2 and 5 to 7 give them.
RFC4180_TEXT = '"aaa","b ""x"" b","c\r\nd"\r\n'
RFC4180_FIELDS = ["aaa", 'b "x" b', "c\r\nd"]


def test_quoting_as_rfc_4180_has_it(tmp_path: Path) -> None:
    """The RFC's own case, as a header and as cells beside the numbers, changes no number."""
    assert next(csv.reader(io.StringIO(RFC4180_TEXT, newline=""))) == RFC4180_FIELDS
    quoted = RFC4180_TEXT.removesuffix("\r\n")
    blocks = CsvBlocks(
        write(tmp_path, f'{quoted},"time_s",boost_kpa,delivered_ml_min\r\n{quoted},"1",2,3'), RIG
    )
    assert list(blocks.layout.names) == [*RFC4180_FIELDS, "time_s", "boost_kpa", "delivered_ml_min"]
    assert readings([Sample(*row) for block in blocks for row in block.tolist()]) == [(1, 2, 3)]


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


SCENARIO = """
name = "us units"
teaches = "A car whose rig maps psi and degF still makes a log we can read."
rig = "tarnwick"
[[drive]]
do = "cruise"
for = "1 s"
gear = 3
[[drive]]
do = "pull"
for = "6 s"
gear = 3
[[faults]]
kind = "pump_stop"
at = "4.5 s"
"""


def test_a_simulated_log_of_a_us_rig_reads_back_in_our_own_units(tmp_path: Path) -> None:
    """The rig maps "manifold absolute psi" and more; the log has boost_kpa; the fault is found."""
    scenario = scenario_from_text(SCENARIO, "us.toml")
    path = tmp_path / "log.csv"
    write_csv(run(scenario), path, mapped(scenario.rig))
    found = {(e.finding, e.action.word) for e in review(path, "tarnwick").events}
    assert ("under_delivery", "cut_boost") in found


def test_what_is_wrong_far_down_is_found_without_reading_each_cell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By line: a cell of text near where it was first seen, and a row that was cut off."""
    monkeypatch.setattr(csv_blocks, "_LOOKED_AT", 100)
    rows = [f"{i / 100},{i},2" for i in range(5000)]
    rows[4000] = "40.0,x,2"
    path = tmp_path / "log.csv"
    header = "time_s,boost_kpa,delivered_ml_min\n\n"
    path.write_text(header + "\n\n".join([*rows, "50.0,1"]), "ascii")
    blocks = CsvBlocks(path, rig_from_text(SMALL, "rig.toml"), block_bytes=1000)
    assert sum(map(len, blocks)) == 5000
    assert blocks.no_numbers() == ['8003: boost_kpa: found "x"']
    assert blocks.not_used() == [10003]
