"""Logs of a car as its rig reads them, each with the hash that tells it from another."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from monitor.recorder.layout import segments_of
from monitor.recorder.reader import is_session
from monitor.recorder.span import readings_of
from monitor.review.log import Log, open_log
from rules.channels import CHANNEL_NAMES, COLUMN_OF, LATE_S, NOT_SENT, TIME
from simulator.identify import Series
from simulator.rig import RigFile
from simulator.strict import BadInput, called, clean, open_file, unusable

LEAST_ROWS: Final = 2
MOST_ROWS: Final = 3_000_000  # of all logs: eight hours at 100 a second
_AT_ONCE: Final = 1 << 20
_NAME: Final = 40


@dataclass(frozen=True, slots=True)
class RigLog:
    """A log.

    Attributes:
        name: What it is called, without its folder.
        sha256: Of its bytes; of a session's, segment by segment.
        rows: As a guard takes them, (n, ROW_WIDTH), ticks for silence included.
        series: Its readings; more than one where its clock started again.
    """

    name: str
    sha256: str
    rows: Any
    series: tuple[Series, ...]


def read_rig_logs(paths: Sequence[Path], rig: str | None) -> tuple[RigFile, list[RigLog]]:
    """Read logs and sessions as ``flowdebt review`` does.

    Args:
        paths: One or more.
        rig: Rig file or shipped name; None: the first session's own.

    Returns:
        The rig, and the logs.

    Raises:
        BadInput: One can't be read, or holds no readings; together they are too long.
    """
    opened = [open_log(path, rig) for path in paths]
    read: list[RigLog] = []
    for log in opened:
        read.append(_read(log))
        if (rows := sum(len(one.rows) for one in read)) > MOST_ROWS:
            raise BadInput(
                f"{called(log.path)}: found {rows} rows with the logs before it, expected at most "
                f"{MOST_ROWS}"
            )
    return opened[0].rig_file, read


def _read(log: Log) -> RigLog:
    log.read()
    rows = log.rows
    series = series_in(rows)
    if not series:
        raise BadInput(f"{called(log.path)}: found fewer than {LEAST_ROWS} readings, expected more")
    return RigLog(clean(log.path.name, _NAME), sha256_of(log.path), rows, series)


def series_in(rows: Any) -> tuple[Series, ...]:
    """Return the readings in some rows, (n, ROW_WIDTH): one series for each run of the clock."""
    readings = rows[readings_of(rows)]
    cuts = 1 + np.flatnonzero(np.diff(readings[:, TIME]) < -LATE_S)
    pieces = [_series(piece) for piece in np.split(readings, cuts)]
    return tuple(piece for piece in pieces if len(piece.t_s) >= LEAST_ROWS)


def _series(readings: Any) -> Series:
    """Return readings in ascending time; late ones are left out."""
    time_s = np.where(np.isfinite(readings[:, TIME]), readings[:, TIME], -np.inf)
    before_s = np.concatenate(([-np.inf], np.maximum.accumulate(time_s)[:-1]))
    kept = readings[time_s > before_s]
    columns = {}
    for name in CHANNEL_NAMES:
        values = kept[:, COLUMN_OF[name]]
        if (values != NOT_SENT).any():
            columns[name] = np.where(values == NOT_SENT, np.nan, values)
    return Series(kept[:, TIME], columns)


def sha256_of(log: Path) -> str:
    """Return the hash of a log's bytes; of a session those of its samples, one file after another.

    Raises:
        BadInput: It can't be read.
    """
    found = hashlib.sha256()
    for path in segments_of(log) if is_session(log) else [log]:
        try:
            with open_file(path) as file:
                while chunk := file.read(_AT_ONCE):
                    found.update(chunk)
        except OSError as error:
            raise unusable(path, error, "a readable log") from None
    return found.hexdigest()
