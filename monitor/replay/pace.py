"""How evenly a log's rows come: what is missing between them, and where nothing came at all."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from monitor.replay.decided import Decided
from rules.channels import NOT_SENT, OPERATOR, TIME

LONGER: Final = 1.5  # of the usual step: a row is missing
SILENT_S: Final = 0.25  # from here a gap is one a person sees
SILENT_STEPS: Final = 5.0
MOST_SILENCES: Final = 200
_BLOCK: Final = 65_536


@dataclass(frozen=True, slots=True)
class Silence:
    """A stretch in which no row came: when its last row before it stands on the axis, how long."""

    time_s: float
    lasted_s: float


@dataclass(frozen=True, slots=True)
class Pace:
    """How rows follow each other; ticks put in for silence are no rows here.

    Attributes:
        step_s: Usual (median) time from row to row, s; NaN where there are not two.
        places: At how many places rows are missing.
        share: Share of the rows that are missing there, 0 to 1, by the usual step.
        longest_s: Longest time without a row, s; 0 where nowhere rows are missing.
        silences: The longest gaps a person sees, by time; at most 200.
    """

    step_s: float = float("nan")
    places: int = 0
    share: float = 0.0
    longest_s: float = 0.0
    silences: list[Silence] = field(default_factory=list)


def pace_of(decided: Decided) -> Pace:
    """Return how evenly the rows of a log come."""
    at = _spoken(decided)
    if len(at) < 2:
        return Pace()
    steps = np.diff(decided.log.rows[at, TIME])
    step_s = float(np.median(steps[steps > 0.0])) if (steps > 0.0).any() else float("nan")
    if not step_s > 0.0:
        return Pace()
    missing = np.flatnonzero(steps > LONGER * step_s)
    if not len(missing):
        return Pace(step_s)
    lost = float(np.sum(np.rint(steps[missing] / step_s) - 1.0))
    silent = missing[steps[missing] > max(SILENT_S, SILENT_STEPS * step_s)]
    longest = silent[np.argsort(steps[silent])[::-1][:MOST_SILENCES]]
    silences = [Silence(decided.time_s(int(at[i])), float(steps[i])) for i in np.sort(longest)]
    return Pace(
        step_s, len(missing), lost / (lost + len(at)), float(steps[missing].max()), silences
    )


def _spoken(decided: Decided) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
    """Return the rows that say something of a channel and have a time."""
    rows = decided.log.rows
    found = []
    for start in range(0, len(rows), _BLOCK):
        block = rows[start : start + _BLOCK]
        says = (block[:, TIME + 1 : OPERATOR] != NOT_SENT).any(axis=1)
        found.append(start + np.flatnonzero(says & np.isfinite(block[:, TIME])))
    return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)
