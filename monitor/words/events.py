"""Events in words, the same for screens, lines and reports; and those that a viewer knows of."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from monitor.attach.message_parts import EventFacts
from monitor.words.literal import figure, or_nan, plain
from monitor.words.units import METRIC, Units
from rules.channels import LATE_S
from rules.events import Turn
from rules.facts import Action
from rules.figures import told
from rules.findings import label_of
from rules.intervals import Intervals

MOST: Final = 200
MOST_STEPS: Final = 8
LONGEST_WHY: Final = 2000
SAME_BOUT_S: Final = 0.5  # what ends less than this before the next begins belongs to it
_INDENT: Final = " " * 13


@dataclass(frozen=True, slots=True)
class EventWords:
    """An event as people read it. ``level`` is its worst action's number (0 to 3).

    Figures that are not known, or don't apply, are NaN. ``action``, of steps too, is in words.
    """

    key: tuple[float, str]
    time_s: float
    label: str
    level: Action
    action: str
    action_time_s: float
    ceiling_kpa: float
    retard_deg: float
    debt_ml: float
    until_s: float
    lasted_s: float
    explanation: str
    severity: str
    check_first: str
    intervals: Intervals | None
    step_words: tuple[tuple[str, float, float], ...]

    @property
    def active(self) -> bool:
        """Whether it has not cleared."""
        return self.until_s != self.until_s

    def depth(self, units: Units, room: int = 1000) -> str:
        """Say how far the action went: ceiling, timing, debt, as far as each applies and fits.

        What has no room in so many cells is left out, never cut within a figure.
        """
        depths = []
        if self.level is Action.CUT_BOOST:
            depths.append(f"to {units.told(self.ceiling_kpa, 'kPa', 0)}")
        if self.retard_deg > 0.0:
            depths.append(f"{self.retard_deg:z.1f} deg")
        if self.debt_ml > 0.0:
            depths.append(f"{figure(self.debt_ml, 2)} mL")
        while depths and len(", ".join(depths)) > room:
            depths.pop()
        return ", ".join(depths)

    @property
    def steps(self) -> str:
        """The steps the action took, and how long the fault took to be handled."""
        steps = " > ".join(
            f"{action} at {figure(time_s, 2)} s"
            for action, time_s, _ in self.step_words[:MOST_STEPS]
        )
        if self.intervals is None:
            return steps
        takes, tolerated, verdict = told(self.intervals.handling_s, self.intervals.tolerant_s)
        late = "" if verdict == "in time" else f", {verdict}"
        return f"{steps}; handled in {takes} s of {tolerated} s tolerated{late}"

    def line(self, turn: Turn) -> str:
        """Say on one line that it was raised, worsened or cleared."""
        if turn is Turn.CLEARED:
            return f"{self.until_s:z9.2f} s  CLEARED  {self.label}"
        said = f"{self.action.upper()}  {self.label}: {self.explanation}"
        check = f" Check first: {self.check_first}." if turn is Turn.RAISED else ""
        return f"{self.action_time_s:z9.2f} s  {said}{check}"

    def report(self, units: Units = METRIC, clock: str = "") -> Iterator[str]:
        """Yield the lines of a report on it; the ready-made sentences in it stay metric.

        Args:
            units: Of figures.
            clock: What stood on the log's own clock as it began; empty where it has none.
        """
        until = "to the end"
        if not self.active:
            until = f"to {self.until_s:z.2f} s"
            if abs(self.until_s - self.time_s - self.lasted_s) > LATE_S:  # the clock stepped
                until = f"for {self.lasted_s:z.2f} s, {until}"
        deep = []
        if self.debt_ml > 0.0:
            deep.append(f"debt {self.debt_ml:z.2f} mL")
        if self.retard_deg > 0.0:
            deep.append(f"pull {self.retard_deg:z.1f} deg")
        if self.ceiling_kpa == self.ceiling_kpa:
            deep.append(f"cut boost to {units.told(self.ceiling_kpa, 'kPa', 0)}")
        depth = f" ({', '.join(deep)})" if deep else ""
        beside = f" [{clock}]" if clock else ""
        yield f"  {self.time_s:z9.2f} s  {self.action:<11}  {self.label} {until}{depth}{beside}"
        why = self.explanation
        yield f"{_INDENT}at {self.action_time_s:z.2f} s: {why[:1].lower()}{why[1:]}"
        yield f"{_INDENT}{self.severity}; check first {self.check_first}"
        if self.level >= Action.PULL_TIMING and self.intervals is not None:
            yield f"{_INDENT}{self.intervals.in_words()}"
        if len(self.step_words) > 1:
            yield f"{_INDENT}{self._steps_since()}"

    def _steps_since(self) -> str:
        """Say when each step was taken, and how long after the one fault it was done."""
        if self.intervals is None:
            return "steps: " + ", ".join(f"{a} at {t:z.2f} s" for a, t, _ in self.step_words)
        _, first_s, done_s = self.step_words[0]
        began_s = first_s + self.intervals.reaction_s - done_s
        steps = ", ".join(
            f"{action} at {time_s:z.2f} s ({f'{done_s:z.2f}' if done_s > 0.0 else 'before'})"
            for action, time_s, done_s in self.step_words
        )
        return f"steps (and s from the fault, at {began_s:z.2f} s, until done): {steps}"


def event_in_words(event: EventFacts) -> EventWords:
    """Return an event as people read it, without anything a terminal obeys."""
    name = plain(event.finding, 60)
    took = event.fault_intervals
    return EventWords(
        key=(event.clock_s, name),
        time_s=event.time_s,
        label=label_of(name),
        level=event.level,
        action=_in_words(event.action),
        action_time_s=event.action_time_s,
        ceiling_kpa=or_nan(event.boost_ceiling_kpa),
        retard_deg=event.retard_deg,
        debt_ml=event.debt_ml,
        until_s=or_nan(event.until_s),
        lasted_s=or_nan(event.lasted_s),
        explanation=plain(event.explanation, LONGEST_WHY),
        severity=event.severity.value,
        check_first=plain(event.check_first),
        intervals=Intervals(took.fdti_s, took.frti_s, took.ftti_s) if took else None,
        step_words=tuple((_in_words(s.action), s.time_s, s.fhti_s) for s in event.steps),
    )


def _in_words(name: str) -> str:
    return name.replace("_", " ")


class KnownEvents:
    """Keeps the newest events; one that is told again replaces what was known of it."""

    def __init__(self) -> None:
        self._by_key: dict[tuple[float, str], EventWords] = {}
        # A guard that takes another's place counts its time anew: what came before that is older
        # all the same. So each event has the number of the run it came in.
        self._runs: dict[tuple[float, str], int] = {}
        self.newest_first: list[EventWords] = []

    def put(self, event: EventFacts) -> None:
        """Take an event."""
        taken = event_in_words(event)
        if taken.key not in self._by_key:
            run, newest_s = 0, float("-inf")
            if self.newest_first:
                newest = self.newest_first[0].key
                run, newest_s = self._runs[newest], newest[0]
            self._runs[taken.key] = run + 1 if taken.key[0] < newest_s else run
        self._by_key[taken.key] = taken
        while len(self._by_key) > MOST:
            gone = next(iter(self._by_key))
            del self._by_key[gone], self._runs[gone]
        self.newest_first = sorted(
            self._by_key.values(),
            key=lambda known: (self._runs[known.key], known.key[0]),
            reverse=True,
        )

    @property
    def leading(self) -> int:
        """Place of the event to look at first: of those that hold, the first of the worst.

        What came first is nearer to the cause than what followed from it. Where none holds, it is
        the first of the worst of the last bout, which is all that overlapped; 0 where none is
        known.
        """
        holding = [i for i, known in enumerate(self.newest_first) if known.active]
        looked_at = holding or self._last_bout()
        return max(looked_at, key=lambda i: (self.newest_first[i].level, i), default=0)

    def _last_bout(self) -> list[int]:
        """Return the places of the newest event and of all before it that reached into its bout."""
        bout: list[int] = []
        begin_s = float("inf")
        for i, known in enumerate(self.newest_first):
            began_s = known.key[0]
            end_s = began_s + known.lasted_s if known.lasted_s == known.lasted_s else began_s
            if bout and self._runs[known.key] != self._runs[self.newest_first[0].key]:
                break
            if not bout or end_s >= begin_s - SAME_BOUT_S:
                bout.append(i)
                begin_s = min(begin_s, began_s)
        return bout

    @property
    def active(self) -> int:
        """How many have not cleared."""
        return sum(known.active for known in self.newest_first)
