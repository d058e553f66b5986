"""``flowdebt replay``: step through a recorded drive, and ask what would have been."""

from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import RigOption, ThemeOption, UnitsOption


def replay(
    log: Annotated[
        str,
        Parameter(
            show_default=False,
            help="A recorded session's folder, or a log (CSV, Parquet, Arrow IPC).",
        ),
    ],
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
    from monitor.commands.replaying import replay as show
    from monitor.words.look import Look

    return show(log, rig, at=at, who=operator, look=Look(units, theme))
