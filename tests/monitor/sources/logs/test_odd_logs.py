"""Logs as loggers write them: one pull, written in many ways, always read as the same."""

from contextlib import suppress
from itertools import cycle
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.cli import run as flowdebt
from monitor.commission.guessing import Sure
from monitor.commission.listing import listing
from monitor.review.report import in_words
from monitor.review.review import review
from monitor.sources.logs.csv_blocks import SMALL_BLOCK_BYTES, CsvBlocks
from monitor.sources.logs.open import log_blocks
from monitor.sources.logs.open_table import open_table
from rules.channels import BOOST, CHANNEL_BY_NAME, DELIVERED, INTAKE, NOT_SENT, TIME
from simulator.rig import quantity_of
from simulator.strict import BadInput
from tests.kit.invented_drive import drive
from tests.kit.odd_headers import ODD_LOGS as HEADERS
from tests.kit.odd_headers import log_of
from tests.kit.odd_logs import HOPELESS_LOGS, ODD_LOGS, TRUTH, HopelessLog, OddLog

TRUE = np.array(TRUTH)
CHANNELS = ("boost_kpa", "delivered_ml_min", "intake_c")  # as the truth's columns stand
FORMS = (  # between fields, decimal sign, encoding
    (";", ",", "utf-8"),
    ("\t", ".", "utf-16"),
    (",", ".", "utf-8-sig"),
    ("|", ",", "latin-1"),
)
each_log = pytest.mark.parametrize("log", ODD_LOGS, ids=lambda log: log.name)


def _write(folder: Path, log: OddLog) -> Path:
    path = folder / "odd.csv"
    path.write_bytes(log.content)
    return path


@each_log
@pytest.mark.parametrize("block_bytes", [SMALL_BLOCK_BYTES, 1000])
def test_a_rig_reads_it_as_it_was(tmp_path: Path, log: OddLog, block_bytes: int) -> None:
    """Whatever its form, rows, times from the first on, and what was sent are the truth's."""
    blocks = CsvBlocks(_write(tmp_path, log), log.rig, block_bytes=block_bytes)
    for _ in range(2):  # a log may be read twice
        rows = np.concatenate(list(blocks))
        assert len(rows) == len(TRUE)
        from_start_s = rows[:, TIME] - rows[0, TIME]
        assert from_start_s == pytest.approx(TRUE[:, 0], abs=log.time_within_s)
        for place, true in zip((BOOST, DELIVERED, INTAKE), TRUE.T[1:], strict=True):
            there = np.isfinite(rows[:, place])
            assert there.sum() >= 0.1 * len(rows)
            assert rows[there, place] == pytest.approx(true[there], abs=1e-5)


@each_log
def test_a_review_reads_it(tmp_path: Path, log: OddLog) -> None:
    """By a rig that maps its columns, with a second of 20 rows a second each."""
    rig = tmp_path / "odd.toml"
    rig.write_text(log.rig_text, encoding="utf-8")
    result = review(_write(tmp_path, log), str(rig))
    assert result.rows == len(TRUE)
    assert result.step_s == pytest.approx(0.05)
    assert sum(result.rejected.values()) == log.not_used


@each_log
def test_without_a_rig_its_columns_are_told(tmp_path: Path, log: OddLog) -> None:
    """Names as a rig writes them, units as stated, the time, and the same numbers."""
    table = open_table(_write(tmp_path, log))
    assert (table.rows, table.is_whole) == (len(TRUE), True)
    assert table.left_out == log.not_used
    assert table.time.unit == log.time_unit
    columns = {column.rig_name: column for column in table.columns}
    stated = [columns[name].unit for name in log.columns]
    assert stated == list(log.stated[1:])
    if log.time_unit != "rows":
        assert table.time.is_sure
        assert table.time_s == pytest.approx(TRUE[:, 0], abs=log.time_within_s)
        assert table.row_hz == pytest.approx(20.0, rel=1e-6)
    if log.units[0] == "kPa":
        for name, true in zip(log.columns, TRUE.T[1:], strict=True):
            there = np.isfinite(columns[name].values)
            assert columns[name].values[there] == pytest.approx(true[there])


@each_log
def test_its_columns_are_listed_as_the_rig_maps_them(tmp_path: Path, log: OddLog) -> None:
    """Range, count and rate of each, by hand from the truth; the time; nothing refused."""
    found = listing(_write(tmp_path, log), log.rig)
    assert (found.refused, found.missing) == ("", ())
    assert found.table.lasts_s == pytest.approx(TRUE[-1, 0], abs=0.051)
    by_channel = {one.mapped[0]: one for one in found.columns if one.mapped}
    assert ("time" in by_channel) == (log.time_unit != "rows")
    for channel, unit, true in zip(CHANNELS, log.units, TRUE.T[1:], strict=True):
        column = by_channel[channel].column
        factor, offset = quantity_of(CHANNEL_BY_NAME[channel]).linear(unit)
        sent = np.isfinite(column.values)
        assert column.numbers == sent.sum() >= 0.1 * len(TRUE)
        ends = [true[sent].min(), true[sent].max()]
        assert [end * factor + offset for end in (column.low, column.high)] == pytest.approx(ends)
        assert column.rate_hz == pytest.approx(20.0 * sent.mean(), rel=0.06)


@pytest.mark.parametrize(("name", "form"), [*zip(HEADERS, cycle(FORMS), strict=False)])
def test_logs_with_strange_headers_are_listed_too(
    tmp_path: Path, name: str, form: tuple[str, str, str]
) -> None:
    """Each in a form of its own: every column's range, and its unit where one is written."""
    between, point, encoding = form
    driven = drive(10.0)
    columns, truths = log_of(name, driven)
    rows = zip(driven.time_s, *(column.values for column in columns), strict=True)
    lines = [["Time [s]", *(column.header for column in columns)]]
    if any(column.unit_word for column in columns):
        lines.append(["s", *(column.unit_word for column in columns)])
    lines += [[f"{cell:.6g}".replace(".", point) for cell in row] for row in rows]
    path = tmp_path / "odd.txt"
    path.write_bytes("\r\n".join(map(between.join, lines)).encode(encoding))
    found = listing(path)
    assert found.table.rows == len(driven.time_s)
    assert found.table.time.unit == "s"
    for one, column in zip(found.columns[1:], columns, strict=True):
        assert one.column.name == column.header
        ends = [float(column.values.min()), float(column.values.max())]
        assert [one.column.low, one.column.high] == pytest.approx(ends, rel=1e-5)
        if one.guess is not None and one.guess.sure is Sure.SURE:
            assert one.guess.channel == truths[column.header].channel


def test_what_was_not_sent_and_what_is_text(tmp_path: Path) -> None:
    """Text is sent and not a number, a blank is not sent: counted apart, healthy neither."""
    log = next(log for log in ODD_LOGS if log.name == "text and dashes")
    path = _write(tmp_path, log)
    (rows,) = CsvBlocks(path, log.rig)
    assert np.isnan(rows[:, DELIVERED]).sum() == 12
    assert (rows[:, INTAKE] == NOT_SENT).sum() == 12
    _, _, flow, intake = open_table(path).columns
    assert (flow.blank, flow.text) == (0.0, 0.05)
    assert (intake.blank, intake.text) == (0.05, 0.0)


def test_when_a_log_starts_and_what_was_made_of_its_times(tmp_path: Path) -> None:
    """By its own clock, told beside times from the start; and where they were spread."""
    found = {}
    for log in ODD_LOGS:
        blocks = log_blocks(_write(tmp_path, log), log.rig)
        assert (blocks.starts, blocks.time_remark) == ("", "")
        list(blocks)
        table = open_table(tmp_path / "odd.csv")
        found[log.name] = (blocks.starts, blocks.time_remark)
        assert found[log.name] == (table.starts, table.remark)
    assert found["commas"] == ("", "")
    assert found["milliseconds"] == ("10 s", "")
    assert found["seconds since 1970"] == ("2024-04-03T23:59:54.250", "")
    assert found["ISO 8601"] == ("2024-04-03T23:59:54.250Z", "")
    starts, remark = found["whole seconds of a clock"]
    assert starts == "23:59:54"
    assert "spread evenly" in remark
    assert "minutes and seconds" in found["minutes and seconds"][1]


def test_a_review_tells_both(tmp_path: Path) -> None:
    """In words and as fields."""
    log = next(log for log in ODD_LOGS if log.name == "whole seconds of a clock")
    rig = tmp_path / "odd.toml"
    rig.write_text(log.rig_text, encoding="utf-8")
    result = review(_write(tmp_path, log), str(rig))
    words = list(in_words(result))
    assert "  0 s is 23:59:54 by the log's own clock" in words
    assert any("spread evenly" in line for line in words)
    assert result.as_json()["starts"] == "23:59:54"
    # Its first second had begun: at 20 rows a second its 15 rows are the last of it.
    assert any(line.startswith("       1.20 s  warn") and "[23:59:55.20]" in line for line in words)


def test_a_review_tells_times_from_the_start(tmp_path: Path) -> None:
    """Whatever the log's own clock counts; what stood on it is beside."""
    told = {}
    for name in ("commas", "milliseconds", "seconds since 1970", "a clock, over midnight"):
        log = next(log for log in ODD_LOGS if log.name == name)
        (tmp_path / "odd.toml").write_text(log.rig_text, encoding="utf-8")
        result = review(_write(tmp_path, log), str(tmp_path / "odd.toml"))
        assert (result.span.from_s, result.span.to_s) == pytest.approx((0.0, 11.95), abs=1e-6)
        told[name] = [event.time_s for event in result.events]
        assert told[name] == pytest.approx(told["commas"], abs=1e-6)
        beside = {result.clock.at(event.time_s) for event in result.events[:1]}
        assert beside == {
            {
                "commas": "",
                "milliseconds": "10.95 s",
                "seconds since 1970": "23:59:55.20",
                "a clock, over midnight": "23:59:55.20",
            }[name]
        }


@pytest.mark.parametrize("log", HOPELESS_LOGS, ids=lambda log: log.name)
def test_hopeless_ones(
    log: HopelessLog,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One clear line each, from review and where columns are listed: file, and line or column."""
    monkeypatch.chdir(tmp_path)
    Path("odd.csv").write_bytes(log.content)
    Path("odd.toml").write_text(log.rig_text, encoding="utf-8")
    assert flowdebt(["review", "odd.csv", "--rig", "odd.toml"]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n"), err.rstrip().isprintable()) == ("", 1, True)
    assert err.startswith(f"flowdebt: odd.csv{log.refused}")
    code = flowdebt(["channels", "odd.csv"])
    out, err = capsys.readouterr()
    assert (code, bool(out), err.count("\n")) == ((2, False, 1) if log.listed else (0, True, 0))
    assert log.listed in err
    if not log.listed:  # then it is told beside the columns that there are
        assert flowdebt(["channels", "odd.csv", "--rig", "odd.toml"]) == 0


def test_units_in_brackets_against_the_rig(tmp_path: Path) -> None:
    """What contradicts the rig is refused; a looser word for it is not."""
    log = OddLog(
        "",
        b"Time,Boost [psi],Flow [cc],IAT (bank 1)\n0,1,2,3\n",
        columns=("Boost [psi]", "Flow [cc]", "IAT (bank 1)"),
    )
    with pytest.raises(BadInput, match=r'Boost \[psi\]: found unit "psi", expected "kPa"'):
        CsvBlocks(_write(tmp_path, log), log.rig)
    right = OddLog("", log.content, columns=log.columns, units=("psi", "mL/min", "degC"))
    assert sum(len(rows) for rows in CsvBlocks(_write(tmp_path, right), right.rig)) == 1


def test_a_stray_byte_far_down_is_text_in_one_cell(tmp_path: Path) -> None:
    """Not UTF-8, where the head was: that cell is no number, in a mapped column and another."""
    lines = [b"%d,%d,2,3,x" % (i, i) for i in range(20_000)]
    lines[15_000] = b"15000,1,\xb0,3,\xb0"
    log = OddLog("", b"Time,Boost,Flow,IAT,Note\n" + b"\n".join(lines))
    path = _write(tmp_path, log)
    blocks = CsvBlocks(path, log.rig)
    flow = np.concatenate(list(blocks))[:, DELIVERED]
    assert np.flatnonzero(np.isnan(flow)).tolist() == [15_000]
    assert blocks.no_numbers() == ['15002: Flow: found "\ufffd"']
    columns = open_table(path).columns
    assert [round(column.text * 20_000) for column in columns] == [0, 0, 1, 0, 20_000]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(ODD_LOGS),
    st.lists(st.tuples(st.floats(0, 1), st.integers(0, 40), st.binary(max_size=12)), max_size=8),
)
def test_damage_is_read_over_or_refused(
    tmp_path: Path, log: OddLog, cuts: list[tuple[float, int, bytes]]
) -> None:
    """Pieces lost and put in anywhere, most near the head: rows, or one line, and no traceback."""
    content = bytearray(log.content)
    for where, lost, put in cuts:
        at = int(where**3 * len(content))
        content[at : at + lost] = put
    path = tmp_path / "odd.csv"
    path.write_bytes(content)
    for read in (lambda: list(CsvBlocks(path, log.rig)), lambda: open_table(path)):
        with suppress(BadInput):
            read()
