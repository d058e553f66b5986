"""A log of any kind there is, as blocks of samples."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from monitor.sources.base import SourceStatistics
from monitor.sources.lines.columns import NO_TIME
from rules.channels import CHANNEL_BY_NAME, TIME, TIME_BOUND_S
from simulator.rig import ColumnMap, RigFile, TimeMap, find_rig, load_rig
from simulator.strict import BadInput, called, open_file, unusable

SUFFIXES: Final = frozenset({".csv", ".txt", ".log", ".parquet", ".arrow", ".feather"})


_PARQUET: Final = b"PAR1"
_IPC_FILE: Final = b"ARROW1"
_IPC_STREAM: Final = b"\xff\xff\xff\xff"


def kind_of(path: Path) -> str | None:
    """Return ``parquet``, ``ipc file`` or ``ipc stream`` by a file's first bytes; else None.

    Raises:
        BadInput: It can't be read.
    """
    try:
        with open_file(path) as file:
            head = file.read(8)
    except OSError as error:
        raise unusable(path, error, "a readable log") from None
    if head.startswith(_PARQUET):
        return "parquet"
    if head.startswith(_IPC_FILE):
        return "ipc file"
    return "ipc stream" if head.startswith(_IPC_STREAM) else None


def rig_of_log(path: Path, rig: str | None) -> RigFile:
    """Return the rig to read a log by, which brings none of its own.

    Args:
        path: The log's file.
        rig: Rig file or shipped name.

    Raises:
        BadInput: No log there, no rig given, or it can't be used.
    """
    if path.is_dir():
        raise BadInput(
            f"{called(path)}: found a folder but no session in it, expected a log, or a session's "
            "folder (flowdebt sessions lists them)"
        )
    kind_of(path)
    if rig is None:
        raise BadInput(f"{called(path)}: found no --rig, expected a rig file or shipped rig")
    return load_rig(find_rig(rig))


def as_exported(rig_file: RigFile) -> RigFile:
    """Return a rig file that reads what ``export`` writes: our own names, in our own units.

    A rig may well map a column of one of our names in a unit of its own.
    """
    columns = {name: ColumnMap(name, unit=CHANNEL_BY_NAME[name].unit) for name in rig_file.columns}
    return replace(rig_file, columns=columns, time=TimeMap())


def with_time(rows: Any, statistics: SourceStatistics, *, ticked: bool) -> Iterator[Any]:
    """Yield a block's rows that have a usable time, where there are any; count all of them.

    Of a ``ticked`` log, an exported session, all: it is judged as it was.
    """
    usable = (abs(rows[:, TIME]) < TIME_BOUND_S) | ticked  # NaN isn't
    statistics.received += len(rows)
    if not usable.all():
        statistics.rejected[NO_TIME] += int(len(rows) - usable.sum())
        rows = rows[usable]
    statistics.decoded += len(rows)
    if len(rows):
        yield rows


def log_blocks(path: Path, rig_file: RigFile, *, small: bool = False) -> Any:
    """Return a log's blocks: Parquet and Arrow IPC by their first bytes, else CSV.

    Args:
        path: The log.
        rig_file: The rig that maps its columns.
        small: Blocks that take a few ms at most, for a reader on an event loop.

    Raises:
        BadInput: See ``CsvBlocks`` and ``TableBlocks``.
    """
    if kind_of(path) is not None:
        from monitor.sources.logs.table_blocks import MOST_ROWS, SMALL_ROWS, TableBlocks

        return TableBlocks(path, rig_file, block_rows=SMALL_ROWS if small else MOST_ROWS)
    from monitor.sources.logs.csv_blocks import SMALL_BLOCK_BYTES, CsvBlocks

    if small:
        return CsvBlocks(path, rig_file, block_bytes=SMALL_BLOCK_BYTES)
    return CsvBlocks(path, rig_file)
