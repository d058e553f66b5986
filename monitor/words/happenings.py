"""The events a viewer knows of, newest first."""

from dataclasses import dataclass
from typing import Any, Final

from monitor.words.literal import figure, number, plain
from monitor.words.units import Units
from rules.figures import told
from rules.findings import FINDINGS

MOST: Final = 200
_LABELS: Final = {finding.name: finding.label for finding in FINDINGS}
_CHECKS: Final = {finding.name: finding.check_first for finding in FINDINGS}
CUT: Final = 3
SAME_BOUT_S: Final = 0.5  # what ends less than this before the next begins belongs to it
_LEVELS: Final = {"no_action": 0, "warn": 1, "pull_timing": 2, "cut_boost": CUT}


@dataclass(frozen=True, slots=True)
class Happening:
    """An event as the screen shows it. ``level`` is its worst action's number (0 to 3).

    Figures that are not known, or don't apply, are NaN.
    """

    key: tuple[float, str]
    time_s: float
    label: str
    level: int
    ceiling_kpa: float
    retard_deg: float
    debt_ml: float
    active: bool
    lasted_s: float
    explanation: str
    check_first: str
    steps: str

    def depth(self, units: Units, room: int = 1000) -> str:
        """Say how far the action went: ceiling, timing, debt, as far as each applies and fits.

        What has no room in so many cells is left out, never cut within a figure.
        """
        depths = []
        if self.level == CUT:
            depths.append(f"to {units.told(self.ceiling_kpa, 'kPa', 0)}")
        if self.retard_deg > 0.0:
            depths.append(f"{self.retard_deg:z.1f} deg")
        if self.debt_ml > 0.0:
            depths.append(f"{figure(self.debt_ml, 2)} mL")
        while depths and len(", ".join(depths)) > room:
            depths.pop()
        return ", ".join(depths)


def happening(event: dict[str, Any], check_first: str = "") -> Happening:
    """Return an event message as the screen shows it; what is missing or odd reads as unknown."""
    name = plain(event.get("finding", "?"), 60)
    time_s = number(event, "time_s")
    until_s = number(event, "until_s")
    clock_s = number(event, "clock_s")
    level = _LEVELS.get(str(event.get("action")), 1)
    steps = event.get("steps")
    return Happening(
        key=(clock_s if clock_s == clock_s else -1.0, name),
        time_s=time_s,
        label=_LABELS.get(name, name),
        level=level,
        ceiling_kpa=number(event, "boost_ceiling_kpa"),
        retard_deg=number(event, "retard_deg"),
        debt_ml=number(event, "debt_ml"),
        active=until_s != until_s,
        lasted_s=number(event, "lasted_s"),
        explanation=plain(event.get("explanation", "")),
        check_first=plain(check_first or _CHECKS.get(name, "")),
        steps=" > ".join(
            f"{plain(step.get('action', '?'), 20).replace('_', ' ')} "
            f"at {figure(number(step, 'time_s'), 2)} s"
            for step in (steps if isinstance(steps, list) else [])[:8]
            if isinstance(step, dict)
        )
        + _handled(event.get("fault_intervals")),
    )


def _handled(timing: object) -> str:
    """Say how long the fault took to be handled, where the event tells; empty where not."""
    if not isinstance(timing, dict):
        return ""
    takes, tolerated, verdict = told(number(timing, "fhti_s"), number(timing, "ftti_s"))
    late = "" if verdict == "in time" else f", {verdict}"
    return f"; handled in {takes} s of {tolerated} s tolerated{late}"


class Happenings:
    """Keeps the newest events; one that is told again replaces what was known of it."""

    def __init__(self) -> None:
        self._by_key: dict[tuple[float, str], Happening] = {}
        # A guard that takes another's place counts its time anew: what came before that is older
        # all the same. So each event has the number of the run it came in.
        self._runs: dict[tuple[float, str], int] = {}
        self.newest_first: list[Happening] = []

    def put(self, event: dict[str, Any], check_first: str = "") -> None:
        """Take an event."""
        taken = happening(event, check_first)
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
