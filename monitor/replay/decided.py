"""A log with every decision redone: any row, any stretch, at any moment."""

from dataclasses import dataclass
from typing import Any

from monitor.replay.log import Log, Progress, Stop
from monitor.replay.window import Window
from rules.events import Event
from rules.facts import Rig
from rules.state import Decision
from simulator.rig import RigFile


@dataclass(frozen=True, slots=True)
class TurnAt:
    """What happened to an event, at which row.

    Attributes:
        index: Row in which it happened.
        turn: ``raised``, ``worsened`` or ``cleared``.
        event: As it stood then (``Event.as_json``).
        check_first: What to look at first.
        number: Place of the event in ``Decided.events``.
    """

    index: int
    turn: str
    event: dict[str, Any]
    check_first: str
    number: int


class Decided:
    """Every decision of a log by one rig (or, of a session, by those in force then).

    Times are those of the plot: the guard's time, which stands where a row came late. Where the
    clock stepped back the axis doesn't: it stands for a moment and runs on from there, so that
    time never falls; ``shift_s`` says by how much a row is shown later than its own clock said.

    Attributes:
        log: What was decided on.
        rig_file: The rig (the first, where a session's was changed).
        rows: How many rows.
        from_s: Time of the first row, s.
        to_s: Time of the last.
        events: In the order in which they were raised, as they stood at the end.
        raised_at: Row in which each was raised.
        turns: Everything that happened to events, in order.
        reproduced: Whether a session's decisions came out the same, bit for bit; None where there
            was nothing to compare (a log, or another rig).
        differs_at: First row at which they didn't.
    """

    log: Log
    rig_file: RigFile
    rows: int
    from_s: float
    to_s: float
    events: list[Event]
    raised_at: list[int]
    turns: list[TurnAt]
    reproduced: bool | None
    differs_at: int | None

    def rig_at(self, index: int) -> Rig:
        """Return the rig a row was decided by."""
        raise NotImplementedError

    def decision(self, index: int) -> Decision:
        """Return a row's decision, exactly as a guard that ran through all rows before it.

        Raises:
            IndexError: No such row.
        """
        raise NotImplementedError

    def time_s(self, index: int) -> float:
        """Return a row's time on the axis, s; never falls with the row."""
        raise NotImplementedError

    def shift_s(self, index: int) -> float:
        """Return how much later than by its own clock a row is shown, s; 0 in nearly every log."""
        raise NotImplementedError

    def index_at(self, time_s: float) -> int:
        """Return the last row at or before a time; the first row where there is none (and NaN)."""
        raise NotImplementedError

    def trace(self, from_s: float, to_s: float, columns: int) -> Window:
        """Return what a plot of a stretch draws.

        Args:
            from_s: Left edge; one row before it is included.
            to_s: Right edge; nothing after it is.
            columns: Columns of dots the plot has: a longer stretch than these can show comes as
                lowest and highest values.
        """
        raise NotImplementedError

    def late_until(self, index: int) -> int:
        """Return how many rows came too late to be used, up to and with this one."""
        raise NotImplementedError

    def alarms_at(self, index: int) -> tuple[list[dict[str, Any]], bool]:
        """Return the alarms standing at a row, as a frame has them, and whether the bell sounds.

        The operator's acknowledgements are in a session's rows and count (as one of all alarms);
        resets and shelves are not, and don't.
        """
        raise NotImplementedError

    def causes_at(self, index: int) -> list[dict[str, Any]] | None:
        """Return the likeliest causes at a row, as a frame has them; None: not worked out yet."""
        raise NotImplementedError

    def work_out_causes(self, progress: Progress | None = None, stop: Stop | None = None) -> None:
        """Rank the causes over the whole log, for ``causes_at``: takes seconds; use a thread.

        What has been worked out can be asked for meanwhile. Goes on where it was stopped.

        Raises:
            Stopped: ``stop`` said so.
        """
        raise NotImplementedError
