"""From decisions to events: one for each stretch in which a finding has something to say."""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from rules.explain import ceiling_or_none, explain
from rules.facts import Action, ActionWord, Rig
from rules.findings import FINDINGS, Finding, check_first
from rules.intervals import Intervals, intervals
from rules.step import state as st
from rules.step.state import FINDING_NAMES, Decision


class Turn(StrEnum):
    """What happened to an event."""

    RAISED = "raised"
    WORSENED = "worsened"
    CLEARED = "cleared"


class Step(NamedTuple):
    """One rise of a finding's level.

    ``fhti_s`` is how long after the event's one fault its action was done, the reaction included,
    s; below nought where it came before that.
    """

    time_s: float
    action: ActionWord
    retard_deg: float
    fhti_s: float


@dataclass(slots=True)
class Event:
    """A finding from when it was raised to when it cleared.

    Attributes:
        time_s: When it was raised.
        finding: Its name.
        action: The worst action it led to.
        retard_deg: Most timing pulled while it led to pulling, degrees.
        boost_ceiling_kpa: The ceiling, where it cut boost.
        debt_ml: Largest debt of its shortfall (0 where it has none).
        explanation: Why, at the worst action.
        action_time_s: When the worst action was taken.
        clock_s: When it was raised by the guard's own time, which goes on where a source's clock
            steps: events are in its order.
        until_s: When it cleared; None while it lasts.
        lasted_s: How long it lasted by the guard's own time; None while it does.
        intervals: How long detection and reaction took, against what the engine tolerates: of the
            first action that protects it (pull or cut), or of the warning where there was none.
            When that one says the fault began, it began for all steps.
        check_first: What to look at on this car.
        began_s: When the fault began, as ``intervals`` has it, by the guard's own time.
        steps: Every rise of its level.
    """

    time_s: float
    finding: str
    action: Action
    retard_deg: float
    boost_ceiling_kpa: float | None
    debt_ml: float
    explanation: str
    action_time_s: float
    intervals: Intervals
    clock_s: float
    check_first: str
    until_s: float | None = None
    lasted_s: float | None = None
    began_s: float = 0.0
    steps: list[Step] = field(default_factory=list)

    @property
    def what(self) -> Finding:
        """What is known of the finding itself."""
        return FINDINGS[FINDING_NAMES.index(self.finding)]


class EventTracker:
    """Turns decisions into events. Needs only the decisions that changed something."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._open: dict[int, Event] = {}
        self._levels = [0.0] * st.N_FINDINGS

    def feed(self, decision: Decision) -> list[tuple[Turn, Event]]:
        """Take one decision; return what happened to which event, in the order of findings."""
        levels = decision.level
        self.finish(decision)
        if levels == self._levels:  # nothing rose or cleared, as nearly always
            return []
        self._levels = levels
        turns: list[tuple[Turn, Event]] = []
        for finding in range(st.N_FINDINGS):
            level = Action(int(levels[finding]))
            event = self._open.get(finding)
            if event is None:
                if level > Action.NO_ACTION:
                    event = self._raise(finding, level, decision)
                    self._open[finding] = event
                    turns.append((Turn.RAISED, event))
            elif level == Action.NO_ACTION:
                event.until_s = decision.time_s
                event.lasted_s = decision.clock_s - event.clock_s
                del self._open[finding]
                turns.append((Turn.CLEARED, event))
            elif level > event.action:
                self._worsen(event, finding, level, decision)
                turns.append((Turn.WORSENED, event))
        return turns

    def change(self, rig: Rig) -> None:
        """Explain by another rig from now on, as ``Guard.change`` judges by it."""
        self._rig = rig

    @property
    def open_events(self) -> tuple[Event, ...]:
        """Events that have not cleared, in the order of findings."""
        return tuple(self._open[finding] for finding in sorted(self._open))

    def finish(self, decision: Decision) -> None:
        """Bring the open events' figures up to the newest decision (end of a log)."""
        for finding, event in self._open.items():
            if finding == st.UNDER_DELIVERY and decision.peak_debt_ml > event.debt_ml:
                event.debt_ml = decision.peak_debt_ml
            if (
                decision.level[finding] >= Action.PULL_TIMING
                and decision.retard_deg > event.retard_deg
            ):
                event.retard_deg = decision.retard_deg

    def _raise(self, finding: int, level: Action, decision: Decision) -> Event:
        event = Event(
            time_s=decision.time_s,
            finding=FINDING_NAMES[finding],
            action=level,
            retard_deg=0.0,
            boost_ceiling_kpa=None,
            debt_ml=decision.peak_debt_ml if finding == st.UNDER_DELIVERY else 0.0,
            explanation="",
            action_time_s=decision.time_s,
            intervals=intervals(self._rig, finding, decision),
            clock_s=decision.clock_s,
            check_first=check_first(self._rig, FINDINGS[finding]),
        )
        self._worsen(event, finding, level, decision)
        return event

    def _worsen(self, event: Event, finding: int, level: Action, decision: Decision) -> None:
        found = intervals(self._rig, finding, decision)
        taken_s = decision.clock_s - event.began_s + found.reaction_s
        if not event.steps or event.action < Action.PULL_TIMING:
            later_s = taken_s - found.handling_s
            event.steps = [one._replace(fhti_s=one.fhti_s - later_s) for one in event.steps]
            event.began_s += later_s
            event.intervals, taken_s = found, found.handling_s
        event.action = level
        event.action_time_s = decision.time_s
        event.explanation = explain(self._rig, finding, decision)
        if level >= Action.PULL_TIMING:
            event.retard_deg = max(event.retard_deg, decision.retard_deg)
        if level is Action.CUT_BOOST:
            event.boost_ceiling_kpa = ceiling_or_none(decision)
        event.steps.append(Step(decision.time_s, level.word, decision.retard_deg, taken_s))
