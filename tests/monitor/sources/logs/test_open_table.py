"""A log's columns without a rig; ``test_odd_logs`` has it over logs of every form."""

from math import isnan
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from monitor.sources.logs import open_table as module
from monitor.sources.logs.open_table import Table, open_table
from simulator.rig import TimeMap
from simulator.strict import BadInput

ROWS = "".join(f"{i / 10},{i % 7},{i}\n" for i in range(100))


def _table(folder: Path, text: str, time: TimeMap | None = None) -> Table:
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    return open_table(path, time)


def _complaint(folder: Path, text: str, time: TimeMap | None = None) -> str:
    with pytest.raises(BadInput) as caught:
        _table(folder, text, time)
    message = str(caught.value)
    assert message.isprintable()
    return message[message.index("log.csv") :]


def test_what_is_told_of_a_column(tmp_path: Path) -> None:
    """Unit, rate, resolution, shares of blanks and text, by hand."""
    lines = [
        f"{i / 10},{'' if i % 4 else i // 4 * 0.5},{'bad' if i == 3 else 2}" for i in range(100)
    ]
    table = _table(tmp_path, "t [s],Boost,Flow\n" + "\n".join(lines))
    time, boost, flow = table.columns
    assert (time.name, time.unit, boost.unit) == ("t [s]", "s", "")
    assert (boost.blank, boost.text, boost.resolution) == (0.75, 0.0, 0.5)
    assert boost.rate_hz == pytest.approx(2.5)
    assert (flow.blank, flow.text) == (0.0, 0.01)
    assert isnan(flow.resolution)
    assert isnan(flow.values[3])
    assert table.row_hz == pytest.approx(10.0)


def test_it_looks_at_so_many_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first ones, and says that there are more."""
    monkeypatch.setattr(module, "MOST_CELLS", 3 * 40)
    table = _table(tmp_path, "Time,Boost,Flow\n" + ROWS)
    assert (table.rows, table.is_whole) == (40, False)
    assert table.time_s[-1] == pytest.approx(3.9)
    monkeypatch.setattr(module, "MOST_CELLS", 3 * 100)
    assert _table(tmp_path, "Time,Boost,Flow\n" + ROWS).is_whole


def test_rows_of_other_widths_are_counted(tmp_path: Path) -> None:
    """They may be cut off, so that nothing of them is used."""
    table = _table(tmp_path, "Time,Boost,Flow\n" + ROWS + "10.0,5\n10.1,5,6,7\nEnd of log\n")
    assert (table.rows, table.left_out) == (100, 3)


def test_a_time_that_is_told(tmp_path: Path) -> None:
    """As a rig says it, where finding it would find another, or none."""
    text = "Time,Boost,N\n" + ROWS
    table = _table(tmp_path, text, TimeMap("N", "ms"))
    assert table.time.column == 2
    assert table.row_hz == pytest.approx(1000.0)
    table = _table(tmp_path, text, TimeMap(unit="rows", period_s=0.02))
    assert table.time.column is None
    assert table.time_s.tolist() == [0.02 * i for i in range(100)]
    wanted = 'found 3 columns, none called "clock", expected one of them for the time'
    assert wanted in _complaint(tmp_path, text, TimeMap("clock"))


@pytest.mark.parametrize("kind", [pa.float64(), pa.timestamp("ms"), pa.string()])
def test_a_parquet_log(tmp_path: Path, kind: pa.DataType) -> None:
    """Numbers, moments and clock times; units from its metadata; null was not sent."""
    ms = [1000 * i for i in range(50)]
    times = {
        pa.float64(): [m / 1000 for m in ms],
        pa.timestamp("ms"): ms,
        pa.string(): [f"10:00:{m // 1000:02d}.000" for m in ms],
    }[kind]
    schema = pa.schema(
        [
            pa.field("Time", kind),
            pa.field("MAP", pa.float32(), metadata={"unit": "psi"}),
            pa.field("Note", pa.string()),
            pa.field("On", pa.bool_()),
        ]
    )
    columns = [times, [None, *range(49)], ["x"] * 50, [True] * 50]
    path = tmp_path / "log.parquet"
    pq.write_table(
        pa.table([pa.array(c, f.type) for c, f in zip(columns, schema, strict=True)], schema), path
    )
    table = open_table(path)
    assert table.time.column == 0
    assert table.time_s == pytest.approx(np.arange(50.0))
    _, pressure, note, on = table.columns
    assert (pressure.unit, pressure.blank, note.text, on.text) == ("psi", 0.02, 1.0, 1.0)
