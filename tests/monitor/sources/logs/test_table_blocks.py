"""Parquet and Arrow logs: mapped by the rig as CSV is, streamed, and damage is said clearly."""

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from pyarrow import csv as pacsv

from monitor.attach.protocol import Notice
from monitor.cli import run as flowdebt
from monitor.guard.loop import GuardLoop
from monitor.recorder import layout
from monitor.review.review import review
from monitor.sources.logs.csv_blocks import CsvBlocks
from monitor.sources.logs.open import log_blocks
from monitor.sources.logs.table_blocks import TableBlocks
from monitor.sources.open import open_source
from rules.channels import BOOST, DELIVERED, NOT_SENT, ROW_WIDTH, TIME
from simulator.logfile import mapped, write_csv
from simulator.rig import EXTRA_KINDS, rig_from_text
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.drives import Driven
from tests.kit.listening import Told
from tests.kit.recordings import BRINDLE, record
from tests.kit.rig_text import SMALL

PUMP_STOP = load_scenario("pump_stop")
SAMPLES = Driven("pump_stop", 1)
FOREIGN = rig_from_text(
    SMALL.replace(
        "[channels.boost_kpa]", '[channels.boost_kpa]\ncolumn = "MAP"\nunit = "psi"'
    ).replace("[channels.delivered_ml_min]", '[channels.delivered_ml_min]\ncolumn = "Flow [cc]"')
    + '[time]\ncolumn = "Clock"\nunit = "ms"\n',
    "foreign.toml",
)


def write(path: Path, table: pa.Table, kind: str, chunk: int = 500) -> Path:
    """Write a table as Parquet, an Arrow file or an Arrow stream, in pieces."""
    if kind == "parquet":
        pq.write_table(table, path, row_group_size=chunk)
        return path
    opened = pa.ipc.new_file if kind == "file" else pa.ipc.new_stream
    with pa.OSFile(str(path), "wb") as file, opened(file, table.schema) as writer:
        writer.write_table(table, max_chunksize=chunk)
    return path


KINDS = ("parquet", "file", "stream")


def rows_of(path: Path, rig_file: Any = FOREIGN) -> Any:
    """Return a log's rows."""
    return np.concatenate(list(log_blocks(path, rig_file)))


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_extra_columns_stand_behind_a_sample(kind: str, tmp_path: Path) -> None:
    """Where they are asked for: in their own unit, and not sent where rig or log lacks one."""
    text = SMALL + '[extra.gear]\ncolumn = "Gear"\n[extra.torque_nm]\nunit = "lb ft"\n'
    rig_file = rig_from_text(text + "[extra.ambient_c]\n", "car.toml")
    path = tmp_path / "log"
    names = ("time_s", "boost_kpa", "delivered_ml_min", "torque_nm", "Gear")
    cells = ([0.0, 0.1], [10.0, 11.0], [0.0, 0.0], [100.0, None], [3.0, 4.0])
    table = pa.table(dict(zip(names, map(pa.array, cells), strict=True)))
    if kind == "parquet":
        pq.write_table(table, path)
    else:
        pacsv.write_csv(table, path)
    rows = np.concatenate(list(log_blocks(path, rig_file, extra=True)))
    extra = dict(zip(EXTRA_KINDS, rows[:, ROW_WIDTH:].T, strict=True))
    assert list(extra["gear"]) == [3.0, 4.0]
    assert list(extra["torque_nm"]) == [pytest.approx(135.5818, rel=1e-6), NOT_SENT]
    assert (extra["ambient_c"] == NOT_SENT).all()
    assert rows_of(path, rig_file).shape == (2, ROW_WIDTH)


def test_an_extra_columns_unit_is_held_against_the_rig(tmp_path: Path) -> None:
    """As a channel's is, but only by a reader that wants it."""
    rig_file = rig_from_text(SMALL + '[extra.torque_nm]\ncolumn = "Torque [lb-ft]"\n', "car.toml")
    path = tmp_path / "log.csv"
    path.write_text("time_s,boost_kpa,delivered_ml_min,Torque [lb-ft]\n0,1,2,3\n1,1,2,3\n")
    assert len(rows_of(path, rig_file)) == 2
    with pytest.raises(BadInput, match=r'"lb-ft", expected "N m" as the rig says in \[extra.torq'):
        log_blocks(path, rig_file, extra=True)


@pytest.fixture(scope="module")
def csv(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pump stop as CSV, with a gap of 2 s in it."""
    path = tmp_path_factory.mktemp("logs") / "log.csv"
    write_csv(SAMPLES[:1500] + SAMPLES[1700:], path, mapped(PUMP_STOP.rig))
    return path


def table_of(csv: Path) -> pa.Table:
    """Return a log as an Arrow table, as any other program would make it."""
    from pyarrow import csv as pacsv

    return pacsv.read_csv(csv)


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_rows_and_events_as_from_csv(csv: Path, tmp_path: Path, kind: str) -> None:
    """What pyarrow reads of a CSV and writes elsewhere is the same log, ticks for gaps included."""
    path = write(tmp_path / "log", table_of(csv), kind)
    assert rows_of(path, BRINDLE).tobytes() == np.concatenate([*CsvBlocks(csv, BRINDLE)]).tobytes()
    from_table, from_csv = review(path, "brindle"), review(csv, "brindle")
    assert from_table.events == from_csv.events
    assert from_table.rows == from_csv.rows == 2200
    assert "signal_lost" in {event.finding for event in from_table.events}


@pytest.mark.parametrize("kind", KINDS)
def test_the_rig_maps_columns_and_units(tmp_path: Path, kind: str) -> None:
    """Other names, integer and decimal columns, text beside them, null and nan."""
    table = pa.table(
        {
            "note": ["a", "b", "c", "d"],
            "Flow [cc]": pa.array([1, None, 3, 4], pa.int32()),
            "Clock": pa.array([0, 10, 20, 30], pa.uint64()),
            "MAP": pa.array([1.5, 2.5, float("nan"), None], pa.float32()),
        }
    )
    rows = rows_of(write(tmp_path / "log", table, kind, 3))
    assert rows[:, TIME].tolist() == [0.0, 0.01, 0.02, 0.03]
    assert rows[:, DELIVERED].tolist() == [1.0, NOT_SENT, 3.0, 4.0]
    assert rows[:2, BOOST].tolist() == pytest.approx([10.342, 17.237], abs=1e-3)
    assert np.isnan(rows[2, BOOST])
    assert rows[3, BOOST] == NOT_SENT


@pytest.mark.parametrize("kind", KINDS)
def test_clock_times_and_a_name_that_stands_twice(tmp_path: Path, kind: str) -> None:
    """As in a CSV log: text of times over midnight, and one of two columns of a name."""
    names = ["Clock", "MAP", "Flow", "Flow", "note"]
    clock = [f"23:59:59.{i}" for i in range(10)] + ["00:00:00.25", "soon"]
    numbers = [pa.array([float(10 * n + i) for i in range(12)]) for n in range(3)]
    table = pa.Table.from_arrays([pa.array(clock), *numbers, pa.array(["x"] * 12)], names=names)
    rig = rig_from_text(FOREIGN.text.replace("Flow [cc]", "Flow#2"), "twice.toml")
    blocks = log_blocks(write(tmp_path / "log", table, kind, 5), rig)
    rows = np.concatenate(list(blocks))
    assert rows[:, TIME] == pytest.approx([*(i / 10 for i in range(10)), 1.25])
    assert rows[:, DELIVERED].tolist() == [20.0 + i for i in range(11)]
    assert (blocks.starts, blocks.statistics.rejected.total()) == ("23:59:59.0", 1)


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        (pa.timestamp("ms"), [1_700_000_000_000, 1_700_000_000_250]),
        (pa.timestamp("us", "UTC"), [1_700_000_000_000_000, 1_700_000_000_250_000]),
        (pa.duration("ns"), [1_700_000_000_000_000_000, 1_700_000_000_250_000_000]),
    ],
)
def test_timestamps_count_seconds_by_themselves(tmp_path: Path, kind: Any, values: Any) -> None:
    """Whatever unit the rig gives the time column, a timestamp has its own."""
    table = pa.table({"Clock": pa.array(values, kind), "MAP": [1.0, 2.0], "Flow [cc]": [1.0, 2.0]})
    rows = rows_of(write(tmp_path / "log", table, "stream"))
    assert rows[:, TIME].tolist() == [0.0, 0.25]  # from the start


def test_decimals_and_infinities(tmp_path: Path) -> None:
    """Decimal columns are numbers; infinity is none."""
    table = pa.table(
        {
            "Clock": [0.0, 10.0],
            "MAP": [float("inf"), float("-inf")],
            "Flow [cc]": pa.array([Decimal("1.25"), Decimal("2.50")]),
        }
    )
    rows = rows_of(write(tmp_path / "log", table, "parquet"))
    assert rows[:, DELIVERED].tolist() == [1.25, 2.5]
    assert np.isnan(rows[:, BOOST]).all()


def with_unit(unit: str) -> pa.Table:
    """Return a log whose pressure column says its unit."""
    schema = pa.schema(
        [
            pa.field("Clock", pa.float64()),
            pa.field("MAP", pa.float64(), metadata={"unit": unit}),
            pa.field("Flow [cc]", pa.float64()),
        ]
    )
    return pa.table([[0.0], [1.0], [2.0]], schema=schema)


@pytest.mark.parametrize("kind", KINDS)
def test_units_that_contradict_are_never_guessed_at(tmp_path: Path, kind: str) -> None:
    """A column that says kPa where the rig says psi is bad input; one that says psi is fine."""
    with pytest.raises(BadInput, match=r'log: ?MAP: found unit "kPa", expected "psi" as the rig'):
        TableBlocks(write(tmp_path / "log", with_unit("kPa"), kind), FOREIGN)
    for unit in ("PSI", "", "\x1b[31m", "smoots"):
        assert len(rows_of(write(tmp_path / "log", with_unit(unit), kind))) == 1


BAD_TABLES: dict[str, tuple[Callable[[], pa.Table], str]] = {
    "text": (
        lambda: pa.table({"Clock": [0.0], "MAP": ["high"], "Flow [cc]": [1.0]}),
        "MAP: found a column of string, expected numbers",
    ),
    "flags": (
        lambda: pa.table({"Clock": [0.0], "MAP": [True], "Flow [cc]": [1.0]}),
        "MAP: found a column of bool, expected numbers",
    ),
    "missing": (
        lambda: pa.table({"Clock": [0.0], "MAP": [1.0]}),
        'found no column "Flow [cc]", expected it, or its name here in the rig',
    ),
    "empty": (
        lambda: pa.table({"Clock": [0.0], "MAP": [1.0], "Flow [cc]": [1.0]}).slice(0, 0),
        "found no rows, expected some",
    ),
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", BAD_TABLES)
def test_what_cannot_be_used_is_one_clear_error(tmp_path: Path, name: str, kind: str) -> None:
    """Names the file, the column, what was found and what is expected."""
    make, expected = BAD_TABLES[name]
    path = write(tmp_path / "log", make(), kind)
    with pytest.raises(BadInput) as caught:
        rows_of(path)
    assert expected in str(caught.value)
    assert str(path) in str(caught.value)


def damaged(path: Path, head: int) -> None:
    """Cut a file."""
    path.write_bytes(path.read_bytes()[:head])


@pytest.mark.parametrize("kind", ["parquet", "file"])
def test_a_file_that_was_not_closed_is_said_to_be(
    csv: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    """Parquet and Arrow files have their index at the end: cut, they are one clear error."""
    whole = write(tmp_path / "log", table_of(csv), kind).read_bytes()
    for head in range(8, len(whole), len(whole) // 23):
        (tmp_path / "log").write_bytes(whole[:head])
        assert flowdebt(["review", str(tmp_path / "log"), "--rig", "brindle"]) == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert "found it damaged (" in line
        assert line.count(".") <= 1  # no sentences of the library's
        assert "in one piece" in line


def test_a_stream_that_was_cut_reads_to_the_cut_and_says_so(csv: Path, tmp_path: Path) -> None:
    """Cut anywhere, an Arrow stream gives its whole batches, and a review tells."""
    path = write(tmp_path / "log", table_of(csv), "stream", 100)
    whole = path.read_bytes()
    size = len(whole) // 22
    for head in range(3 * size, len(whole) - size, 7 * size + 13):
        path.write_bytes(whole[:head])
        result = review(path, "brindle")
        assert result.rows >= 100
        assert str(result.cut).startswith("cut off or damaged: ")


def test_damage_inside_is_no_traceback(csv: Path, tmp_path: Path) -> None:
    """Bytes overwritten anywhere: other numbers, or one clear error, nothing else."""
    for kind in KINDS:
        whole = write(tmp_path / "log", table_of(csv), kind, 100).read_bytes()
        outcomes = set()
        for at in range(0, len(whole) - 8, len(whole) // 60):
            (tmp_path / "log").write_bytes(whole[:at] + b"\xff\x81\x00\xfe" + whole[at + 4 :])
            try:
                outcomes.add(len(list(log_blocks(tmp_path / "log", BRINDLE))) > 0)
            except BadInput:
                outcomes.add(False)
        assert outcomes == {True, False}, kind


@pytest.mark.asyncio
async def test_watching_a_cut_session_says_where_it_ends(tmp_path: Path) -> None:
    """A replayed session that isn't whole ends with a notice of it."""
    session = record(tmp_path, SAMPLES[:900], segment_rows=300)
    layout.segments_of(session)[1].unlink()
    rig_file, source = open_source(str(session), None, 0.0)
    heard = Told()
    await GuardLoop(rig_file, source, [heard]).run()
    told = [message.text for message in heard.messages if isinstance(message, Notice)]
    assert told[-1].startswith("the recording is not whole: 300 rows were recorded before ")
    assert source.statistics.decoded == 600


def test_a_large_row_group_is_streamed(tmp_path: Path) -> None:
    """One row group of a million rows: what pyarrow holds stays small."""
    count = 1_000_000
    rng = np.random.default_rng(3)
    columns = {name: rng.random(count) for name in ("Clock", "MAP", "Flow [cc]")}
    path = tmp_path / "log.parquet"
    pq.write_table(pa.table(columns), path, row_group_size=count, use_dictionary=False)
    usual = pa.default_memory_pool()
    pool = pa.proxy_memory_pool(usual)
    pa.set_memory_pool(pool)
    try:
        rows = sum(len(block) for block in TableBlocks(path, FOREIGN))
    finally:
        pa.set_memory_pool(usual)
    assert rows == count
    assert 1e5 < pool.max_memory() < 16e6 < path.stat().st_size
