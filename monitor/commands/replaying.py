"""Opening the replay screen: whatever can be wrong is said before it."""

import os
import sys

from monitor.review import open_log
from monitor.screen.replay.go_to import begin_at
from monitor.words.look import USUAL, Look
from simulator.strict import BadInput

USUAL_NAME = "operator"  # as everywhere else; no name is taken from the system


def replay(
    source: str,
    rig: str | None,
    *,
    at: str | None,
    who: str | None,
    look: Look = USUAL,
) -> int:
    """Show a log or a session on the replay screen until the person leaves.

    Args:
        source: Session's folder or log.
        rig: Rig file or shipped name; a session brings its own.
        at: Where to begin, as typed; None: the start.
        who: Who sets marks; None or empty: ``operator``.
        look: Units and theme.

    Raises:
        BadInput: Anything that can't be read or used, or no terminal to show it on.
    """
    if at is not None:
        begin_at(at)
    log = open_log(source, rig)
    try:
        if not sys.stdout.isatty() or os.environ.get("TERM") == "dumb":
            raise BadInput(
                "replay: found no terminal, expected one; flowdebt review reads a log back in lines"
            )
        from monitor.screen.replay.app import ReplayDashboard

        app = ReplayDashboard(log, who=who or USUAL_NAME, start=at or "", look=look)
        last = app.run()
    finally:
        log.close()
    if app.fault is not None:
        raise app.fault
    if last:
        sys.stderr.write(last + "\n")
    return 0
