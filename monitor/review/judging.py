"""A log judged block by block, and what speaks against its rig looked for meanwhile."""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from monitor.review.judge import Judge, Judged
from monitor.review.log import Block, Log
from rules.causes.flow_timing import MOST_EDGES, FlowTiming
from rules.causes.rig_mistakes import ENOUGH_ROWS, SPACING_S, RigMistakes
from rules.channels import DELIVERED
from rules.facts import Rig
from rules.step.state import HEALTHY, Decision

BYTES_WORTH_COMPILING: Final = 8_000_000
# An hour at 100 rows a second: a mistake in the rig shows in the first pulls.
ROWS_LOOKED_AT: Final = 360_000
# A mistake in the rig shows in the first minute of spray or never.
SPRAY_ROWS: Final = 20 * ENOUGH_ROWS
EDGES_LOOKED_AT: Final = 2 * MOST_EDGES


class Judging:
    """Judges a log that is read once; iterates over its blocks, each with what was judged of it.

    Args:
        log: What ``open_log`` returned.

    Attributes:
        judge: What judges it.
        mistakes: Looks for what speaks against the rig that judged the newest block.
    """

    def __init__(self, log: Log) -> None:
        self._log = log
        is_long = log.own is None and log.path.stat().st_size > BYTES_WORTH_COMPILING
        self.judge = Judge(
            log.rig_file,
            log.own,
            follows=log.own_terms,
            compares=log.own is not None and log.rig_file.text == log.own.text,
            compiled=True if is_long else None,
        )
        self.mistakes = MistakeSearch(log.rig_file.rig)

    def __iter__(self) -> Iterator[tuple[Block, Judged]]:
        """Yield each block, and what was judged of it.

        Raises:
            BadInput: The log can't be read (on), or its rig can't have been changed as it says.
        """
        judged_by = self._log.rig_file
        for block in self._log.stream():
            is_early = self.judge.rows + len(block.rows) <= ROWS_LOOKED_AT
            new_rig = block.rig_file is not None
            self.judge.wants_all = is_early and (new_rig or not self.mistakes.is_done)
            judged = self.judge.take(block)
            if judged.rig_file is not judged_by:
                judged_by = judged.rig_file
                self.mistakes = MistakeSearch(judged_by.rig)
            if judged.decisions is not None:
                self.mistakes.take(judged.decisions)
            yield block, judged


class MistakeSearch:
    """Looks until something is found, or for a minute of spray.

    Attributes:
        found: What speaks against the rig, a sentence each.
    """

    def __init__(self, rig: Rig) -> None:
        self._of_rig = RigMistakes(rig)
        self._timing = FlowTiming(rig)
        self._looked_at = 0
        self.found: list[str] = []

    def take(self, decisions: Any) -> None:
        """Take a block of decisions, (n, N_DECISION)."""
        if self._timing.edges < EDGES_LOOKED_AT:
            self._follow(Decision.named(decisions))
        if self._has_looked():
            return
        clock_s = Decision.named(decisions)["clock_s"]
        beats = np.floor(clock_s / (0.25 * SPACING_S))
        at = np.flatnonzero(np.diff(beats, prepend=-1.0))
        for row, now_s in zip(at.tolist(), clock_s[at].tolist(), strict=True):
            if not self._of_rig.is_due(now_s):  # making a decision of a row costs more than it all
                continue
            self._of_rig.take(Decision.of_flat(decisions[row].tolist()))
            if self._of_rig.rows - self._looked_at >= ENOUGH_ROWS:
                self._look()
                if self._has_looked():
                    return

    @property
    def is_done(self) -> bool:
        """Whether no more decisions are looked at."""
        return self._has_looked() and self._timing.edges >= EDGES_LOOKED_AT

    def _has_looked(self) -> bool:
        """Whether no more rows are looked at, but for the flow's timing."""
        return bool(self.found) or self._looked_at >= SPRAY_ROWS

    def finish(self, *, false_pull: bool) -> None:
        """Look once more at what came last; ``false_pull`` as ``RigMistakes.of_delay`` has it."""
        if not self.found and self._of_rig.rows > self._looked_at:
            self._look()
        doubt = self._timing.doubt()
        if not self.found and doubt is not None:
            self.found = [doubt.sentence]
        if not self.found and false_pull:
            late = self._of_rig.of_delay(false_pull=True)
            self.found = [] if late is None else [late.sentence]

    def _follow(self, named: Any) -> None:
        """See how the flow followed the command, in the rows near any spray."""
        timing = self._timing
        clock_s = named["clock_s"]
        spray_s = clock_s[named["commanded_ml_min"] > timing.nil_ml_min]
        if not len(spray_s):
            return
        after = np.searchsorted(spray_s, clock_s)
        next_s = spray_s[np.minimum(after, len(spray_s) - 1)]
        last_s = spray_s[np.maximum(after - 1, 0)]
        near = np.minimum(abs(next_s - clock_s), abs(clock_s - last_s)) <= timing.keep_s
        near &= named["late"] == 0.0
        usable = (named["all_healthy"] != 0.0) & (named["health"][:, DELIVERED] == HEALTHY)
        columns = (
            *(clock_s, named["commanded_ml_min"], named["delivered_ml_min"], named["holds_s"]),
            usable,
        )
        for now_s, asked, reads, holds_s, is_usable in zip(
            *(column[near].tolist() for column in columns), strict=True
        ):
            timing.follow(now_s, asked, reads, holds_s, usable=is_usable)

    def _look(self) -> None:
        self._looked_at = self._of_rig.rows
        self.found = [mistake.sentence for mistake in self._of_rig.likely()]
