"""Looks through decisions, block by block, for mistakes in the rig they were made with."""

from typing import Any, Final

import numpy as np

from rules.causes.rig_mistakes import ENOUGH_ROWS, SPACING_S, RigMistakes
from rules.facts import Rig
from rules.step.state import Decision

# A mistake in the rig shows in the first minute of spray or never.
SPRAY_ROWS: Final = 20 * ENOUGH_ROWS
_CLOCK_AT: Final = Decision._fields.index("clock_s")


class MistakeSearch:
    """Looks until something is found, or for a minute of spray.

    Attributes:
        found: What speaks against the rig, a sentence each.
    """

    def __init__(self, rig: Rig) -> None:
        self._of_rig = RigMistakes(rig)
        self._looked_at = 0
        self.found: list[str] = []

    def take(self, decisions: Any) -> None:
        """Take a block of decisions, (n, N_DECISION)."""
        beats = np.floor(decisions[:, _CLOCK_AT] / (0.25 * SPACING_S))
        for row in decisions[np.flatnonzero(np.diff(beats, prepend=-1.0))].tolist():
            if self.found or self._looked_at >= SPRAY_ROWS:
                return
            self._of_rig.take(Decision._make(row))
            if self._of_rig.rows - self._looked_at >= ENOUGH_ROWS:
                self._look()

    def finish(self) -> None:
        """Look once more at what came last."""
        if not self.found and self._of_rig.rows > self._looked_at:
            self._look()

    def _look(self) -> None:
        self._looked_at = self._of_rig.rows
        self.found = [mistake.sentence for mistake in self._of_rig.likely()]
