"""How evenly a log's rows come: what is missing between them, and where nothing came at all."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from monitor.recorder.span import readings_of
from monitor.review.decided_log import Decided
from monitor.review.window import Floats
from monitor.words.literal import figure
from rules.channels import TIME

LONGER: Final = 1.5  # of the usual step: a row is missing
SILENT_S: Final = 0.25  # from here a gap is one a person sees
SILENT_STEPS: Final = 5.0
MOST_SILENCES: Final = 200
THIN_SHARE: Final = 0.15  # of the rows, missing within a second: the link lost many
THIN_PLACES: Final = 3  # at the least, so that one short gap is none
MOST_OF_LOG: Final = 0.5  # rows that are missing all along are the logger's uneven pace
_BLOCK: Final = 65_536
_Places = np.ndarray[tuple[int], np.dtype[np.int64]]


@dataclass(frozen=True, slots=True)
class Silence:
    """A stretch in which no row came, or in which many were missing.

    Attributes:
        time_s: Where its last row before it stands on the axis.
        lasted_s: How long it lasted, s.
        share: Share of its rows that are missing, 0 to 1; 1 where none came.
    """

    time_s: float
    lasted_s: float
    share: float = 1.0

    @property
    def words(self) -> str:
        """What is missing, in a few words."""
        if self.share >= 1.0:
            return f"no row for {figure(self.lasted_s, 2)} s"
        return f"{100.0 * self.share:z.0f} % of the rows missing for {figure(self.lasted_s, 1)} s"


@dataclass(frozen=True, slots=True)
class Pace:
    """How rows follow each other; ticks put in for silence are no rows here.

    Attributes:
        step_s: Usual (median) time from row to row, s; NaN where there are not two.
        places: At how many places rows are missing.
        share: Share of the rows that are missing there, 0 to 1, by the usual step.
        longest_s: Longest time without a row, s; 0 where nowhere rows are missing.
        silences: The longest gaps a person sees, and the stretches in which many rows are missing
            without a long gap, by time; at most 200 of each.
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
    short = missing[steps[missing] <= max(SILENT_S, SILENT_STEPS * step_s)]
    silences += _thin(decided, at, steps, short, step_s)
    return Pace(
        step_s,
        len(missing),
        lost / (lost + len(at)),
        float(steps[missing].max()),
        sorted(silences, key=lambda one: one.time_s),
    )


def _thin(
    decided: Decided, at: _Places, steps: Floats, short: _Places, step_s: float
) -> list[Silence]:
    """Return stretches in which many rows are missing, though none of the gaps is long."""
    found: list[tuple[int, int]] = []  # places of the first and the last short gap
    within = max(1.0, 10.0 * step_s)
    times_s = np.concatenate(([0.0], np.cumsum(np.maximum(steps, 0.0))))
    for first, last in _runs(times_s[short], within / 2.0):
        if last - first + 1 >= THIN_PLACES:
            found.append((int(short[first]), int(short[last])))
    thin = []
    for begin, end in found:
        lasted_s = float(times_s[end + 1] - times_s[begin])
        expected = lasted_s / step_s
        share = 1.0 - (end + 1 - begin) / expected if expected > 0.0 else 0.0
        if share >= THIN_SHARE and lasted_s < MOST_OF_LOG * times_s[-1]:
            thin.append(Silence(decided.time_s(int(at[begin])), lasted_s, min(share, 0.99)))
    thin.sort(key=lambda one: one.share * one.lasted_s, reverse=True)
    return thin[:MOST_SILENCES]


def _runs(times_s: Floats, apart_s: float) -> list[tuple[int, int]]:
    """Return first and last place of each run of times that are not further apart."""
    if not len(times_s):
        return []
    ends = np.flatnonzero(np.diff(times_s) > apart_s)
    return list(zip([0, *(ends + 1).tolist()], [*ends.tolist(), len(times_s) - 1], strict=True))


def _spoken(decided: Decided) -> _Places:
    """Return the rows that say something of a channel and have a time."""
    rows = decided.log.rows
    found = []
    for start in range(0, len(rows), _BLOCK):
        block = rows[start : start + _BLOCK]
        found.append(start + np.flatnonzero(readings_of(block) & np.isfinite(block[:, TIME])))
    return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)
