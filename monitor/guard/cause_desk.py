"""Likely causes of what a running guard has found, ranked beside the decision path."""

from typing import Final

from monitor.attach.message_parts import LikelyCause
from monitor.guard.row_pace import RowPace
from rules.causes.flow_timing import FlowTiming
from rules.causes.known import NONE_OF_THESE, NOTHING_WRONG
from rules.causes.ranking import Cause, CauseRanker
from rules.causes.rig_mistakes import Mistake, RigMistakes
from rules.facts import Rig
from rules.step.state import (
    COOLING_MISSING,
    NO_COMMAND,
    OVER_DELIVERY,
    SIGNAL_LOST,
    UNASKED_FLOW,
    UNDER_DELIVERY,
    Decision,
)

# The findings whose cause lies in the spray system.
SPRAY_FINDINGS: Final = (
    UNDER_DELIVERY,
    NO_COMMAND,
    OVER_DELIVERY,
    UNASKED_FLOW,
    COOLING_MISSING,
)
SETTLED_S: Final = 0.5  # the signatures need a moment after the finding
CLOSEST_S: Final = 0.0095  # decisions closer together than this tell the ranking nothing new
SHOWN: Final = 3
LEAST: Final = 0.05
# How likely it is that a mistake of the rig's, where one fits, is behind it all. A drive that fits
# one from its first row on fits little else; no source.
OF_RIG: Final = "rig"
RIG_LIKELIHOOD: Final = 0.8
FITS_AGAIN: Final = "the flow follows the command as the rig says again"
AGAIN_S: Final = 5.0  # after which a lasting trouble is looked at again for a mistake in the rig


def likely_causes(
    ranked: tuple[Cause, ...], mistakes: tuple[Mistake, ...] = ()
) -> list[LikelyCause]:
    """Return the likeliest causes; empty where nothing fits.

    Likely mistakes in the rig come first, and leave the car's own faults the rest.
    """
    rest = 1.0 - RIG_LIKELIHOOD if mistakes else 1.0
    of_rig = [
        LikelyCause(
            cause=OF_RIG,
            label="the rig file, not the car",
            likelihood=RIG_LIKELIHOOD,
            evidence=[mistake.evidence for mistake in mistakes],
            check_first="; ".join(mistake.check for mistake in mistakes),
            cannot_tell=[],
        )
    ]
    return of_rig[: len(mistakes)] + [
        LikelyCause(
            cause=cause.name,
            label=cause.label,
            likelihood=round(rest * cause.likelihood, 3),
            evidence=list(cause.evidence),
            check_first=cause.check_first,
            cannot_tell=[doubt.sentence for doubt in cause.cannot_tell],
        )
        for cause in ranked[:SHOWN]
        if cause.likelihood >= LEAST and cause.name not in (NOTHING_WRONG, NONE_OF_THESE)
    ]


class CauseDesk:
    """Feeds the ranking with decisions and says, once for each trouble, what is likely behind it.

    ``feed`` only keeps what is due; ``work`` does the reckoning, outside the decision path.
    """

    def __init__(self, rig: Rig) -> None:
        self._ranker = CauseRanker(rig)
        self._of_rig = RigMistakes(rig)
        self._timing = FlowTiming(rig)
        self._edges = 0  # looked at so far
        self._pace = RowPace(rig)
        self._pace_words: list[str] = []
        self._doubted = ""  # what was said last of the rig's delay and lag
        self._waiting: list[Decision] = []
        self._newest_s = float("-inf")
        self._due_s: float | None = None  # when to look next; None where there is no trouble
        self._of_rig_found = False
        self.ranked: list[LikelyCause] = []

    def change(self, rig: Rig) -> None:
        """Rank by another rig from now on; what came before counts by the old one."""
        self.work()
        self._ranker.readings.change(rig)
        self._of_rig = RigMistakes(rig)
        self._timing, self._edges = FlowTiming(rig), 0
        self._pace = RowPace(rig)

    def feed(self, decision: Decision) -> None:
        """Take a decision."""
        if decision.changed or decision.clock_s - self._newest_s >= CLOSEST_S:
            self._newest_s = decision.clock_s
            self._waiting.append(decision)

    def work(self) -> bool:
        """Reckon with what was taken; return whether there is a new ranking (``ranked``)."""
        waiting, self._waiting = self._waiting, []
        before = self.ranked
        for decision in waiting:
            self._ranker.feed(decision)
            self._of_rig.take(decision)
            self._timing.take(decision)
            if words := self._pace.take(decision):
                self._pace_words.append(words)
            lost = decision.level[SIGNAL_LOST] > 0.0
            if not lost and not any(decision.level[finding] for finding in SPRAY_FINDINGS):
                self._due_s = None
                self.ranked = []
            elif self._due_s is None:
                self._due_s = decision.clock_s + SETTLED_S
                self._of_rig_found = False
            elif decision.clock_s >= self._due_s:
                self._look(lost)
                self._due_s = decision.clock_s + (AGAIN_S if self.ranked else SETTLED_S)
        return bool(self.ranked) and self.ranked is not before

    def of_rig(self) -> list[str]:
        """Return what is new to say of the rig and its log while the car is healthy.

        Said once, again where another of its figures is doubted, and when none is any more.
        """
        words, self._pace_words = self._pace_words, []
        if self._timing.edges != self._edges:
            self._edges = self._timing.edges
            doubt = self._timing.doubt()
            before, self._doubted = self._doubted, "" if doubt is None else doubt.check
            if self._doubted != before:
                words.append(FITS_AGAIN if doubt is None else doubt.sentence)
        return words

    def _look(self, lost: bool) -> None:
        """Rank, once for each trouble; and once more where a mistake in the rig shows later.

        A signal that is lost tells of no cause in the spray; a wrong unit makes one seem so.
        """
        mistakes = () if self._of_rig_found else self._of_rig.likely()
        if mistakes or not self.ranked:
            self._of_rig_found = bool(mistakes)
            self.ranked = likely_causes(() if lost else self._ranker.rank(), mistakes)
