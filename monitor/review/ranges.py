"""A stretch of a log as a file of its own."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from monitor.recorder.export import RIG_CHANGED, Exported, write_file
from monitor.review.decided_log import Decided
from monitor.review.judge import DECIDED_AT
from simulator.logfile import LOG_ENDINGS, mapped
from simulator.strict import BadInput, ending_of

BLOCK_ROWS: Final = 8192


def export_range(decided: Decided, from_s: float, to_s: float, path: Path) -> Exported:
    """Write a stretch as CSV or Parquet, in the form ``flowdebt export`` writes.

    Parquet holds what was decided here (by the rig of this deciding) beside the readings. Ticks are
    among the rows, and times are the log's own.

    Args:
        decided: What to take it from.
        from_s: From this time on the axis, s.
        to_s: Up to and with this time.
        path: ``.csv`` or ``.parquet``; must not be there yet.

    Raises:
        BadInput: Nothing in the stretch, another kind of file, one that is there already or can't
            be written. An unfinished file is taken away.
    """
    ending_of(path, *LOG_ENDINGS)
    start, end = decided.rows_between(from_s, to_s)
    if start >= end:
        raise BadInput(
            f"{decided.log.name}: found no rows from {from_s:zg} to {to_s:zg} s, expected some"
        )
    first = decided.rig_file_at(start)
    changed = decided.rig_file_at(end - 1) is not first
    about = {"rig": first.rig.name, "source": decided.log.path.name, "started": ""}
    more = {"rig_changed": RIG_CHANGED} if changed else {}
    channels = mapped(first.rig)
    blocks = _blocks(decided, start, end)
    count = write_file(path, blocks, channels, about, first.text, lambda: more)
    return Exported(count, decided.log.cut, changed)


def _blocks(decided: Decided, start: int, end: int) -> Iterator[tuple[Any, Any]]:
    rows = decided.log.rows
    for at in range(start, end, BLOCK_ROWS):
        behind = min(end, at + BLOCK_ROWS)
        yield rows[at:behind], decided.decisions(at, behind)[:, DECIDED_AT]
