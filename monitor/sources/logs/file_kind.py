"""Which kind of file a log is, by its first bytes."""

from pathlib import Path
from typing import Final

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
    if path.is_dir():
        endings = ", ".join(sorted(SUFFIXES))
        raise BadInput(f"{called(path)}: found a folder without logs, expected some ({endings})")
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
