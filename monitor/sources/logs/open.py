"""A log of any kind there is, as blocks of samples."""

from pathlib import Path
from typing import TYPE_CHECKING

from monitor.sources.logs.file_kind import kind_of
from simulator.rig import RigFile, find_rig, load_rig
from simulator.strict import BadInput, called

if TYPE_CHECKING:  # it loads pyarrow
    from monitor.sources.logs.log_blocks import LogBlocks


def rig_of_log(path: Path, rig: str | RigFile | None) -> RigFile:
    """Return the rig to read a log by, which brings none of its own.

    Args:
        path: The log's file.
        rig: Rig file or shipped name, or one that was read.

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
    return rig if isinstance(rig, RigFile) else load_rig(find_rig(rig))


def log_blocks(
    path: Path, rig_file: RigFile, *, small: bool = False, extra: bool = False
) -> "LogBlocks":
    """Return a log's blocks, times from its start: Parquet, Arrow IPC by their first bytes, or CSV.

    Args:
        path: The log.
        rig_file: The rig that maps its columns.
        small: Blocks that take a few ms at most, for a reader on an event loop.
        extra: Have the columns of the rig's ``[extra]`` behind each sample, where the log has them.

    Raises:
        BadInput: See ``CsvBlocks`` and ``TableBlocks``.
    """
    if kind_of(path) is not None:
        from monitor.sources.logs.table_blocks import MOST_ROWS, SMALL_ROWS, TableBlocks

        rows = SMALL_ROWS if small else MOST_ROWS
        blocks: LogBlocks = TableBlocks(path, rig_file, block_rows=rows, extra=extra)
    else:
        from monitor.sources.logs.csv_blocks import BLOCK_BYTES, SMALL_BLOCK_BYTES, CsvBlocks

        size = SMALL_BLOCK_BYTES if small else BLOCK_BYTES
        blocks = CsvBlocks(path, rig_file, block_bytes=size, extra=extra)
    blocks.from_start = True
    return blocks
