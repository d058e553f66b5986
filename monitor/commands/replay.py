"""``flowdebt replay``: step through a recorded drive, and ask what would have been."""

from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import LogArgument, RigOption, ThemeOption, UnitsOption


def replay(
    log: LogArgument,
    *,
    rig: RigOption = None,
    at: Annotated[
        str | None,
        Parameter(help="Begin there: seconds as 41.5, m:ss as 0:41, or '#3' for an event."),
    ] = None,
    operator: Annotated[
        str | None,
        Parameter(
            name=["--operator", "--who"],
            help="Who sets marks; kept with them. Otherwise: operator.",
        ),
    ] = None,
    units: UnitsOption = "metric",
    theme: ThemeOption = "auto",
) -> int:
    """Open a recorded drive on the dashboard: play it, step to any row, compare two moments.

    Every decision is made again by the same rules: a session's must come out as recorded. Other
    thresholds show what would have been done. Nothing is sent to a car; the log is never changed,
    and marks are kept in a file beside it. Exit codes: 0 left; 2 bad input.
    """
    import os
    import sys

    from monitor.review.log import open_log
    from monitor.screen.replay.go_to import begin_at
    from monitor.words.look import Look
    from simulator.strict import BadInput

    if at is not None:
        begin_at(at)
    opened = open_log(log, rig)
    try:
        if not sys.stdout.isatty() or os.environ.get("TERM") == "dumb":
            raise BadInput(
                "replay: found no terminal, expected one; flowdebt review reads a log back in lines"
            )
        from monitor.screen.replay.app import ReplayDashboard

        # No name is taken from the system.
        who, look = operator or "operator", Look(units, theme)
        app = ReplayDashboard(opened, who=who, start=at or "", look=look)
        last = app.run()
    finally:
        opened.close()
    if app.fault is not None:
        raise app.fault
    if last:
        sys.stderr.write(last + "\n")
    return 0
