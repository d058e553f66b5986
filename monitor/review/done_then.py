"""What an older version's rules did in a session: today's decide it anew, and may do otherwise."""

from typing import Any, NamedTuple

import numpy as np

from monitor.recorder import layout
from rules.channels import TIME
from rules.facts import Action

_ACTION = layout.DECIDED.index("action")


class DoneThen(NamedTuple):
    """An action as recorded: when it was first taken, s, and how often in all."""

    action: Action
    time_s: float
    times: int

    @property
    def words(self) -> str:
        """It in words."""
        more = f" ({self.times} times)" if self.times > 1 else ""
        return f"{self.action.word.replace('_', ' ')} at {self.time_s:z.2f} s{more}"

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types."""
        return {"action": self.action.word, "time_s": self.time_s, "times": self.times}


class ThenCounter:
    """Counts what was done, from the mildest to the worst."""

    def __init__(self) -> None:
        self._last = 0.0
        self._done: dict[Action, DoneThen] = {}

    def take(self, rows: Any, decided: Any) -> None:
        """Take the next rows, (n, ROW_WIDTH), and what was decided on them, (n, len(DECIDED))."""
        if not len(rows):
            return
        actions = np.nan_to_num(decided[:, _ACTION])
        before = np.concatenate(([self._last], actions[:-1]))
        for action in (Action.WARN, Action.PULL_TIMING, Action.CUT_BOOST):
            rises = np.flatnonzero((actions == action) & (before < action))
            if len(rises):
                new = DoneThen(action, float(rows[rises[0], TIME]), 0)
                old = self._done.get(action, new)
                self._done[action] = old._replace(times=old.times + len(rises))
        self._last = float(actions[-1])

    def done(self) -> tuple[DoneThen, ...]:
        """Return it, the mildest action first."""
        return tuple(self._done[action] for action in sorted(self._done))


def done_in_words(done: tuple[DoneThen, ...]) -> str:
    """Return what was done as the end of a sentence."""
    return ", ".join(one.words for one in done) or "nothing"
