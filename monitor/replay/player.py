"""Play and pause, steps and jumps: where the cursor stands. Time is handed in."""

from collections.abc import Sequence
from typing import Final

from monitor.replay.decided import Decided

RATES: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


class Player:
    """The cursor of a replay.

    Every method that depends on the time takes ``now_s`` of a steady clock.

    Args:
        decided: What is played; may be put in anew by ``play_on`` (what if), the cursor stays.

    Attributes:
        playing: Whether time runs.
        rate: Log seconds a second; one of ``RATES``.
        index: The row the cursor stands on.
        time_s: The cursor's time on the axis: at or behind the row's, while playing through a gap.
    """

    playing: bool
    rate: float
    index: int
    time_s: float

    def __init__(self, decided: Decided) -> None:
        raise NotImplementedError

    def play_on(self, decided: Decided) -> None:
        """Go on with another deciding of the same log."""
        raise NotImplementedError

    def play(self, now_s: float) -> None:
        """Let time run; from the start again where it stands at the end."""
        raise NotImplementedError

    def pause(self, now_s: float) -> None:
        """Stand still."""
        raise NotImplementedError

    def toggle(self, now_s: float) -> None:
        """Play, or pause."""
        raise NotImplementedError

    def faster(self, now_s: float) -> None:
        """Take the next higher rate, if there is one."""
        raise NotImplementedError

    def slower(self, now_s: float) -> None:
        """Take the next lower rate, if there is one."""
        raise NotImplementedError

    def tick(self, now_s: float) -> int:
        """Move to where the cursor is now; return its row. Pauses at the end."""
        raise NotImplementedError

    def step_rows(self, count: int, now_s: float) -> int:
        """Pause and move by rows; negative is back."""
        raise NotImplementedError

    def step_s(self, span_s: float, now_s: float) -> int:
        """Move by seconds of the log; negative is back. Goes on playing where it was."""
        raise NotImplementedError

    def seek(self, time_s: float, now_s: float) -> int:
        """Move to a time on the axis."""
        raise NotImplementedError

    def seek_row(self, index: int, now_s: float) -> int:
        """Move to a row."""
        raise NotImplementedError

    def to_start(self, now_s: float) -> int:
        """Move to the first row."""
        raise NotImplementedError

    def to_end(self, now_s: float) -> int:
        """Move to the last row."""
        raise NotImplementedError

    def next_event(self, now_s: float, marks: Sequence[float] = ()) -> int | None:
        """Pause at the next row an event was raised in, or a mark stands on; None: there is none.

        Args:
            now_s: Now.
            marks: Times of marks on the axis; events alone where empty.
        """
        raise NotImplementedError

    def previous_event(self, now_s: float, marks: Sequence[float] = ()) -> int | None:
        """Pause at the one before; None: there is none."""
        raise NotImplementedError
