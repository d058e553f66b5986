"""A log's own clock beside times from its start; ``test_odd_logs`` has it in logs."""

from datetime import datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from monitor.sources.logs.open import log_blocks
from monitor.sources.logs.open_table import open_table
from monitor.sources.logs.own_clock import OwnClock, counted_from
from rules.channels import TIME
from tests.kit.odd_logs import NAMES, ODD_LOGS, TRUTH


@pytest.mark.parametrize(
    ("clock", "time_s", "expected"),
    [
        (OwnClock(), 12.0, ""),
        (OwnClock("5 s", 5.0), 12.0, "17.00 s"),
        (OwnClock("23:59:54.25", 86394.25, 86400.0), 5.749, "00:00:00.00"),
        (OwnClock("23:59:54.25", 86394.25, 86400.0), 5.74, "23:59:59.99"),
        (OwnClock("59:54", 3594.0, 3600.0), 66.5, "01:00.50"),
        (OwnClock("14:05:06", 50706.0, 86400.0), -7.0, "14:04:59.00"),
    ],
)
def test_what_stood_on_it(clock: OwnClock, time_s: float, expected: str) -> None:
    """Over midnight, the full hour, and before the start."""
    assert clock.at(time_s) == expected


@pytest.mark.parametrize(
    ("first_s", "expected"),
    [
        *[(0.0, ""), (0.99, ""), (1.0, "1 s"), (-3.5, "-3.5 s")],
        (512188794.25, "512188794.25 s"),
        (1712188794.25, "2024-04-03T23:59:54.250"),  # by datetime: what it is since 1970
    ],
)
def test_a_count_that_begins_near_nought_is_none(first_s: float, expected: str) -> None:
    """A logger that counts from its start begins with a row's time or so."""
    assert counted_from(first_s).starts == expected


def test_moments_of_a_parquet_log(tmp_path: Path) -> None:
    """Its times from the start, and its own date and time beside, by a rig and without."""
    first = datetime(2024, 4, 3, 23, 59, 54, 250_000)  # noqa: DTZ001 (as such logs have it)
    moments = [first + timedelta(seconds=row[0]) for row in TRUTH]
    columns = [
        pa.array(moments, pa.timestamp("ms")),
        *map(pa.array, list(zip(*TRUTH, strict=True))[1:]),
    ]
    path = tmp_path / "log.parquet"
    pq.write_table(pa.table(columns, NAMES), path)
    blocks = log_blocks(path, ODD_LOGS[0].rig)
    (rows,) = blocks
    assert rows[:, TIME] == pytest.approx([row[0] for row in TRUTH], abs=1e-6)
    assert blocks.clock.starts == open_table(path).starts == "2024-04-03T23:59:54.250"
    assert blocks.clock.at(6.0) == "00:00:00.25"
