"""The events a viewer knows of, newest first."""

from dataclasses import dataclass
from typing import Any, Final

from monitor.screen.literal import figure, number, plain
from monitor.screen.units import Units
from rules.findings import FINDINGS

MOST: Final = 200
_LABELS: Final = {finding.name: finding.label for finding in FINDINGS}
_CHECKS: Final = {finding.name: finding.check_first for finding in FINDINGS}
CUT: Final = 3
_LEVELS: Final = {"hold": 0, "warn": 1, "pull_timing": 2, "cut_boost": CUT}


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

    def depth(self, units: Units) -> str:
        """Say how far the action went: ceiling, timing, debt, as far as each applies."""
        depths = []
        if self.level == CUT:
            depths.append(f"to {units.told(self.ceiling_kpa, 'kPa', 0)}")
        if self.retard_deg > 0.0:
            depths.append(f"{self.retard_deg:.1f} deg")
        if self.debt_ml > 0.0:
            depths.append(f"{figure(self.debt_ml, 2)} mL")
        return ", ".join(depths)


def happening(event: dict[str, Any], check_first: str = "") -> Happening:
    """Return an event message as the screen shows it; what is missing or odd reads as unknown."""
    name = plain(event.get("finding", "?"), 60)
    time_s = number(event, "time_s")
    until_s = number(event, "until_s")
    level = _LEVELS.get(str(event.get("action")), 1)
    steps = event.get("steps")
    return Happening(
        key=(time_s if time_s == time_s else -1.0, name),
        time_s=time_s,
        label=_LABELS.get(name, name),
        level=level,
        ceiling_kpa=number(event, "boost_ceiling_kpa"),
        retard_deg=number(event, "retard_deg"),
        debt_ml=number(event, "debt_ml"),
        active=until_s != until_s,
        lasted_s=until_s - time_s,
        explanation=plain(event.get("explanation", "")),
        check_first=plain(check_first or _CHECKS.get(name, "")),
        steps=" > ".join(
            f"{plain(step.get('action', '?'), 20).replace('_', ' ')} "
            f"at {figure(number(step, 'time_s'), 2)} s"
            for step in (steps if isinstance(steps, list) else [])[:8]
            if isinstance(step, dict)
        )
        + _handled(event.get("fault_timing")),
    )


def _handled(timing: object) -> str:
    """Say how long the fault took to be handled, where the event tells; empty where not."""
    if not isinstance(timing, dict):
        return ""
    handled, tolerated = number(timing, "fhti_s"), number(timing, "ftti_s")
    late = "" if timing.get("in_time") is True else ", TOO LATE"
    return f"; handled in {figure(handled, 2)} s of {figure(tolerated, 2)} s tolerated{late}"


class Happenings:
    """Keeps the newest events; one that is told again replaces what was known of it."""

    def __init__(self) -> None:
        self._by_key: dict[tuple[float, str], Happening] = {}
        self.newest_first: list[Happening] = []

    def put(self, event: dict[str, Any], check_first: str = "") -> None:
        """Take an event."""
        taken = happening(event, check_first)
        self._by_key[taken.key] = taken
        while len(self._by_key) > MOST:
            del self._by_key[next(iter(self._by_key))]
        self.newest_first = sorted(
            self._by_key.values(), key=lambda known: known.key[0], reverse=True
        )

    @property
    def leading(self) -> int:
        """Place of the event to look at first: of those that hold, the first of the worst.

        What came first is nearer to the cause than what followed from it. 0, the newest, where
        none holds.
        """
        holding = [i for i, known in enumerate(self.newest_first) if known.active]
        return max(holding, key=lambda i: (self.newest_first[i].level, i), default=0)

    @property
    def active(self) -> int:
        """How many have not cleared."""
        return sum(known.active for known in self.newest_first)
