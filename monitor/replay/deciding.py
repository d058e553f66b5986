"""Deciding a whole log, compiled, and keeping enough to decide any row of it again."""

from monitor.replay.decided import Decided
from monitor.replay.log import Log, Progress, Stop
from simulator.rig import RigFile


def decide(
    log: Log,
    rig_file: RigFile | None = None,
    *,
    progress: Progress | None = None,
    stop: Stop | None = None,
) -> Decided:
    """Decide every row of a log; reads it first where that hasn't been done.

    Args:
        log: What ``open_log`` returned.
        rig_file: Judge by this rig throughout (what if); None: as the log was opened.
        progress: Hears how far it is, 0 to 1.
        stop: Asked at least every 8192 rows; may be an event's ``is_set``.

    Raises:
        BadInput: The log can't be read, holds no rows, or a session's rig can't have been changed
            as it says.
        Stopped: ``stop`` said so.
    """
    raise NotImplementedError
