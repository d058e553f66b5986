"""A stretch of a log as a file of its own."""

from pathlib import Path

from monitor.recorder.export import Exported
from monitor.replay.decided import Decided


def export_range(decided: Decided, from_s: float, to_s: float, path: Path) -> Exported:
    """Write a stretch as CSV or Parquet, in the form ``flowdebt export`` writes.

    Parquet holds what was decided here (by the rig of this deciding) beside the readings.

    Args:
        decided: What to take it from.
        from_s: From this time on the axis, s.
        to_s: Up to and with this time.
        path: ``.csv`` or ``.parquet``; must not be there yet.

    Raises:
        BadInput: Nothing in the stretch, another kind of file, one that is there already or can't
            be written. An unfinished file is taken away.
    """
    raise NotImplementedError
