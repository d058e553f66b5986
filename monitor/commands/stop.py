"""``flowdebt stop``: end a guard that was left running."""

from monitor.commands.parameters import PidOption


def stop(*, pid: PidOption = None) -> int:
    """End a running guard cleanly and finish its recording.

    Exit codes: 0 it has ended; 2 there is none, or it has not ended within a minute.
    """
    from monitor.commands.watching import stop_running

    return stop_running(pid)
