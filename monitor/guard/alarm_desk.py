"""The alarm list of a running guard: the rules' alarm book, fed by decisions and viewers."""

from math import isfinite
from typing import Final

from monitor.attach.message_parts import UNSEEN, StandingAlarm
from monitor.attach.protocol import AlarmTurn, Command, Operation
from rules.alarms.alarm import LONGEST_SHELF_S, AlarmState, AlarmView, Priority, Transition
from rules.alarms.book import COMMANDS as BY_HAND
from rules.alarms.book import HAND, LONGEST_TEXT, AlarmBook, Input
from rules.alarms.rates import AlarmRates
from rules.findings import FINDINGS, label_of
from rules.step.state import FINDING_NAMES, Decision
from simulator.strict import clean

# Boost crosses the onset all the time; that alone is no news for anybody.
_NO_NEWS: Final = frozenset({AlarmState.NORMAL, AlarmState.SUPPRESSED_BY_DESIGN})
COMMANDS: Final = {what.name.lower(): what for what in BY_HAND}


def name_of(command: Command) -> str:
    """Return who gave a command, fit to be shown and kept."""
    return clean(command.who, LONGEST_TEXT).strip() or HAND


def operation(command: Command, time_s: float, refused: list[str]) -> Operation:
    """Return what is told and recorded of a command that was obeyed or refused."""
    for_s = min(command.for_s, LONGEST_SHELF_S) if command.do == "shelve" else 0.0
    who, alarm = name_of(command), clean(command.alarm)
    return Operation(time_s, who, command.do, alarm, for_s, refused)


class AlarmDesk:
    """Keeps the alarm book and its rates. It reads decisions and never changes one.

    Args:
        onset_kpa: Boost below which findings that need spray are suppressed by design.
    """

    def __init__(self, onset_kpa: float) -> None:
        suppressible = {f.name: True for f in FINDINGS if f.by_design_below_onset}
        self._onset_kpa = onset_kpa
        self._book = AlarmBook(FINDING_NAMES, suppressible)
        self._rates = AlarmRates()

    def change(self, onset_kpa: float) -> None:
        """Take another onset from now on."""
        self._onset_kpa = onset_kpa

    def feed(self, decision: Decision) -> list[AlarmTurn]:
        """Take a decision; return what moved. Quick where nothing did."""
        # Unknown boost (NaN) compares false: nothing is suppressed by what isn't known.
        suppressed = decision.boost_kpa < self._onset_kpa
        return self._turns(
            decision.time_s, self._book.feed(decision.time_s, decision.level, suppressed)
        )

    def obey(self, command: Command, time_s: float) -> tuple[list[AlarmTurn], list[str]]:
        """Take an operator's command; return what moved, and what was refused and why."""
        what, name = COMMANDS[command.do], command.alarm or None
        if name is None and what not in (Input.ACKNOWLEDGE, Input.RESET):
            return [], [f"{command.do}: found no alarm's name, expected one"]
        answer = self._book.command(time_s, what, name, name_of(command), command.for_s)
        refusals = [f"{what} {label_of(r.alarm)}: refused, {r.reason}" for r in answer.refusals]
        return self._turns(time_s, answer.transitions), refusals

    def _turns(self, time_s: float, moved: tuple[Transition, ...]) -> list[AlarmTurn]:
        if not moved:
            return []
        self._rates.feed(time_s, moved)
        return [AlarmTurn(**t._asdict()) for t in moved if not {t.before, t.after} <= _NO_NEWS]

    @property
    def due_s(self) -> float:
        """Time of a decision from which there is news even if no level moves."""
        return self._book.due_s

    @property
    def sounding(self) -> bool:
        """Whether the bell should ring; what is done to the engine doesn't depend on it."""
        return self._book.sounding

    def gives_release(self, command: Command, refused: list[str]) -> bool:
        """Whether an obeyed command is the acknowledgement a latched action waits for.

        Acknowledging everything is. Acknowledging one alarm is once no alarm that pulled timing or
        cut boost is left unseen; one that was refused never is.
        """
        if command.do != "acknowledge":
            return False
        if not command.alarm:
            return True
        acted = [view for view in self._book.alarms() if view.priority is not Priority.LOW]
        return not refused and not any(view.state in UNSEEN for view in acted)

    def standing(self) -> list[StandingAlarm]:
        """Return the alarms that are not normal, first-out first.

        One that design suppresses is there only while its condition is.
        """
        views = [view for view in self._book.alarms() if _stands(view)]
        views.sort(key=lambda view: (view.rank < 0, view.rank))
        return [
            StandingAlarm(
                name=view.alarm,
                state=view.state,
                priority=view.priority,
                since_s=view.since_s if isfinite(view.since_s) else None,
                shelf_left_s=view.shelf_left_s,
                first_out=view.rank == 0,
            )
            for view in views
        ]

    def rates(self, time_s: float) -> list[str]:
        """Return how the alarm rates stand at ``time_s`` against the published benchmarks."""
        self._rates.feed(time_s)
        return [a.words for a in self._rates.assessment()]


def _stands(view: AlarmView) -> bool:
    if view.state is AlarmState.SUPPRESSED_BY_DESIGN:
        return view.present
    return view.state is not AlarmState.NORMAL
