"""Logs as loggers write them: one pull, written in many ways, always read as the same."""

from pathlib import Path

import numpy as np
import pytest

from monitor.review.review import review
from monitor.sources.logs.csv_blocks import SMALL_BLOCK_BYTES, CsvBlocks
from monitor.sources.logs.open_table import open_table
from rules.channels import BOOST, DELIVERED, INTAKE, NOT_SENT, TIME
from tests.kit.odd_logs import ODD_LOGS, TRUTH, OddLog

TRUE = np.array(TRUTH)
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
    assert not result.rejected


@each_log
def test_without_a_rig_its_columns_are_told(tmp_path: Path, log: OddLog) -> None:
    """Names as a rig writes them, units as stated, the time, and the same numbers."""
    table = open_table(_write(tmp_path, log))
    assert (table.rows, table.is_whole) == (len(TRUE), True)
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
