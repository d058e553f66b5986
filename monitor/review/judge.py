"""The one loop that judges a log again: blocks of rows go in, judged blocks come out.

A review counts what is in them, a replay keeps what it takes to show any row; both see the same
rig changes, the same holes and the same comparison with what was decided then.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.attach.message_parts import EventFacts
from monitor.recorder import layout
from monitor.review.log import Block
from monitor.review.window import Floats
from rules.events import Event, EventTracker, Turn
from rules.facts import Rig
from rules.guard import Guard
from rules.learned import Learned
from rules.step.constants import Constants
from rules.step.state import Decision, State
from simulator import machine_code
from simulator.compiled_mark import RUN_ALL, leave_mark
from simulator.rig import RigFile, sensor_changes
from simulator.strict import BadInput, called

# Below this many rows, stepping them one by one takes less time than loading the compiler.
ROWS_WORTH_COMPILING: Final = 60_000
# Stepping so many rows takes about as long as loading machine code that is on the disk.
ROWS_WORTH_LOADING: Final = 4_000
DECIDED_AT: Final = [Decision.names().index(name) for name in layout.DECIDED]
# What is wanted of every row, also where only changes are worked out.
OF_EVERY_ROW: Final = (
    *("time_s", "clock_s", "late", "all_healthy", "boost_kpa", "commanded_ml_min"),
    *("expected_ml_min", "delivered_ml_min", "evidence", "debt_ml"),
    *("line_due_kpa", "value_line_kpa", "charge_due_c", "value_intake_c"),
    *("value_injector_duty_pct", "value_knock", "value_supply_v"),
)
_EVERY_AT: Final = tuple(Decision.names().index(name) for name in OF_EVERY_ROW)


class _Loaded:
    """Whether this process has compiled code loaded; then every log is worth it."""

    now = False


def worth_compiling(rows: int) -> bool:
    """Whether compiled code decides this many rows sooner than stepping them."""
    if _Loaded.now or rows >= ROWS_WORTH_COMPILING:
        return True
    return rows >= ROWS_WORTH_LOADING and machine_code.is_kept()


def run_rows(guard: Guard, rows: Floats, *, compiled: bool) -> Floats:
    """Decide (n, ROW_WIDTH) rows; return (n, N_DECISION) decisions, the same either way."""
    if not compiled:
        return np.array([guard.step(row).flat() for row in rows.tolist()])
    decisions: Floats = _in_bulk(lambda: guard.run_rows(rows))
    return decisions


def _in_bulk(run: Callable[[], Any]) -> Any:
    """Have compiled code run, from the disk where it is there; else it is kept there."""
    from_disk = _Loaded.now or machine_code.load()
    found = run()
    if not from_disk:
        leave_mark(RUN_ALL)
        machine_code.keep()
    _Loaded.now = True
    return found


class Turned(NamedTuple):
    """What happened to an event: in which row of the block, and how the event stood then.

    ``number`` is the event's place in ``Judge.events``, where it goes on to change.
    """

    at: int
    number: int
    turn: Turn
    event: EventFacts


@dataclass(frozen=True, slots=True)
class Judged:
    """A block of rows, judged.

    Attributes:
        rig_file: The rig it was judged by.
        constants: The numbers worked out of that.
        state: What the guard remembered before its first row.
        decisions: (n, N_DECISION); None where only what changed was worked out.
        every: By its name in a decision, each of ``OF_EVERY_ROW``, (n,).
        judged: (n,) which rows were in time, with every essential channel and the clock healthy.
        turns: What happened to events, in order.
        differs_at: First row of it that was decided otherwise then; None where all agree, or there
            is nothing to compare.
    """

    rig_file: RigFile
    constants: Constants
    state: list[float]
    decisions: Floats | None
    every: dict[str, Floats]
    judged: Any
    turns: list[Turned]
    differs_at: int | None


class Judge:
    """One guard that runs through a log, block by block.

    Args:
        rig_file: The rig to judge by.
        own: The rig a session began with; None for a log.
        follows: Change the rig where the session's own was changed; else one judges throughout.
        compares: Compare with what was decided then, as long as that is fair.
        compiled: By compiled code or row by row; None: compiled once many rows have come.

    Attributes:
        events: In the order in which they were raised.
        rows: Rows judged.
        compares: Whether everything so far, and what comes, can be compared.
        wants_all: Whether every decision is wanted of the next block; else, where nothing is
            compared and compiled code decides, only those that change something are returned.
    """

    def __init__(
        self,
        rig_file: RigFile,
        own: RigFile | None,
        *,
        follows: bool,
        compares: bool,
        compiled: bool | None = None,
    ) -> None:
        self.events: list[Event] = []
        self.rows = 0
        self.compares = compares
        self.wants_all = True
        self._rig_file = rig_file
        self._follows = follows
        self._same = own is not None and rig_file.text == own.text
        self._same_car = own is not None and not sensor_changes(own, rig_file)
        self._compiled = compiled
        self._guard = Guard(rig_file.rig)
        self._tracker = EventTracker(rig_file.rig)
        self._numbers: dict[int, int] = {}

    @property
    def rig(self) -> Rig:
        """The rig that the newest block was judged by."""
        return self._rig_file.rig

    @property
    def constants(self) -> Constants:
        """What the newest block was judged by."""
        return self._guard.constants

    def take(self, block: Block) -> Judged:
        """Judge the next block.

        Raises:
            BadInput: No running guard could have changed to its rig.
        """
        if block.rig_file is not None:
            self._change(block.rig_file, by_older=block.by_older)
        if block.hole is not None and not self._restore(block.hole):
            self.compares = False  # from here on it is judged by a guard that missed some rows
        if block.by_older:
            self.compares = False
        self.rows += len(block.rows)
        state = self._guard.state()
        decisions, changed_at, changed, columns = self._decide(block.rows)
        every = dict(zip(OF_EVERY_ROW, columns, strict=True))
        judged = (every["all_healthy"] != 0.0) & (every["late"] == 0.0)
        turns = [
            turned
            for at, row in zip(changed_at.tolist(), changed.tolist(), strict=True)
            for turned in self._feed(at, Decision.of_flat(row))
        ]
        differs_at = None
        if self.compares and decisions is not None:
            again, then = decisions[:, DECIDED_AT], block.decided
            wrong = ((again != then) & ~(np.isnan(again) & np.isnan(then))).any(axis=1)
            differs_at = int(np.argmax(wrong)) if wrong.any() else None
        return Judged(
            self._rig_file, self.constants, state, decisions, every, judged, turns, differs_at
        )

    def finish(self) -> None:
        """Bring the events that are still open up to date."""
        self._tracker.finish(self._guard.decision())

    def _change(self, rig_file: RigFile, *, by_older: bool) -> None:
        if not self._follows:
            self.compares = self._same = False  # judged by the one asked for, throughout
            return
        try:
            self._guard.change(rig_file.rig)
        except ValueError as error:
            if not by_older:
                raise BadInput(f"{called(rig_file.file_name)}: {error}") from None
            state = self._guard.state()  # an older guard could change more while it ran
            self._guard = Guard(rig_file.rig)
            self._guard.restore(state)
        self._tracker.change(rig_file.rig)
        self._rig_file = rig_file

    def _restore(self, state: Sequence[float]) -> bool:
        """Go on from what a guard remembered, else afresh; return whether that could be used.

        By another rig only what was learned of the car can be, and only where the rigs agree on it.
        """
        try:
            if self._same:
                self._guard.restore(state)
                return True
            learned = Learned.of(State.of_flat(state))
        except ValueError:
            learned = None
        self._guard = Guard(self._guard.rig)
        if learned is not None and self._same_car:
            self._guard.know(learned)
        return False

    def _decide(self, rows: Any) -> tuple[Floats | None, Any, Any, Any]:
        """Return decisions, in which rows something changed, those, and columns of all rows."""
        compiled = self._compiled
        if compiled is None:
            compiled = worth_compiling(self.rows)
        if compiled and not (self.wants_all or self.compares):
            return None, *_in_bulk(lambda: self._guard.run_changes(rows, _EVERY_AT))
        decisions = run_rows(self._guard, rows, compiled=compiled)
        changed_at = np.flatnonzero(Decision.named(decisions)["changed"])
        columns = [decisions[:, at] for at in _EVERY_AT]
        return decisions, changed_at, decisions[changed_at], columns

    def _feed(self, at: int, decision: Decision) -> list[Turned]:
        turns = []
        for turn, event in self._tracker.feed(decision):
            if turn is Turn.RAISED:
                self._numbers[id(event)] = len(self.events)
                self.events.append(event)
            number = self._numbers[id(event)]
            turns.append(Turned(at, number, turn, EventFacts.of(event)))
        return turns
