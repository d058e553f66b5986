"""``flowdebt stop``: end a guard that was left running."""

from typing import Annotated

from cyclopts import Parameter


def stop(
    *, pid: Annotated[int | None, Parameter(help="Which guard; otherwise the newest.")] = None
) -> int:
    """End a running guard cleanly and finish its recording."""
    from monitor.commands.watching import stop_running

    return stop_running(pid)
