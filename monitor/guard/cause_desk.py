"""Likely causes of what a running guard has found, ranked beside the decision path."""

from typing import Any, Final

from rules.causes import Cause, CauseRanker
from rules.facts import Rig
from rules.known_causes import NONE_OF_THESE, NOTHING_WRONG
from rules.state import (
    COOLING_MISSING,
    LEVEL,
    NO_COMMAND,
    NO_DELIVERY,
    OVER_DELIVERY,
    UNASKED_FLOW,
    UNDER_DELIVERY,
    Decision,
)

# The findings whose cause lies in the spray system.
SPRAY_FINDINGS: Final = (
    UNDER_DELIVERY,
    NO_DELIVERY,
    NO_COMMAND,
    OVER_DELIVERY,
    UNASKED_FLOW,
    COOLING_MISSING,
)
SETTLED_S: Final = 0.5  # the signatures need a moment after the finding
CLOSEST_S: Final = 0.0095  # decisions closer together than this tell the ranking nothing new
SHOWN: Final = 3
LEAST: Final = 0.05


def causes_in_json(ranked: tuple[Cause, ...]) -> list[dict[str, Any]]:
    """Return the likeliest causes as plain JSON types; empty where nothing fits."""
    return [
        {
            "cause": cause.name,
            "label": cause.label,
            "likelihood": round(cause.likelihood, 3),
            "evidence": list(cause.evidence),
            "check_first": cause.check_first,
            "cannot_tell": [doubt.sentence for doubt in cause.cannot_tell],
        }
        for cause in ranked[:SHOWN]
        if cause.likelihood >= LEAST and cause.name not in (NOTHING_WRONG, NONE_OF_THESE)
    ]


class CauseDesk:
    """Feeds the ranking with decisions and says, once for each trouble, what is likely behind it.

    ``hear`` only keeps what is due; ``work`` does the reckoning, outside the decision path.
    """

    def __init__(self, rig: Rig) -> None:
        self._ranker = CauseRanker(rig)
        self._waiting: list[Decision] = []
        self._newest_s = float("-inf")
        self._since_s: float | None = None
        self.ranked: list[dict[str, Any]] = []

    def change(self, rig: Rig) -> None:
        """Rank by another rig from now on; what was heard before counts by the old one."""
        self.work()
        self._ranker.readings.change(rig)

    def hear(self, decision: Decision) -> None:
        """Take a decision."""
        if decision.changed or decision.clock_s - self._newest_s >= CLOSEST_S:
            self._newest_s = decision.clock_s
            self._waiting.append(decision)

    def work(self) -> bool:
        """Take in what was heard; return whether there is a new ranking (``ranked``)."""
        waiting, self._waiting = self._waiting, []
        before = self.ranked
        for decision in waiting:
            self._ranker.feed(decision)
            if not any(decision[LEVEL + finding] for finding in SPRAY_FINDINGS):
                self._since_s = None
                self.ranked = []
                continue
            if self._since_s is None:
                self._since_s = decision.clock_s
            if not self.ranked and decision.clock_s - self._since_s >= SETTLED_S:
                self.ranked = causes_in_json(self._ranker.rank())
        return bool(self.ranked) and self.ranked is not before
