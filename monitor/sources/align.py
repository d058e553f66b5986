"""Silence is data too: ticks that let the rules see that time has passed without a reading."""

from typing import Final

import numpy as np

from monitor.sources.rows import Rows
from rules.channels import TIME, TIME_BOUND_S, Sample, is_time, tick

LONGEST_GAP_S: Final = 0.25  # between two rows the rules see
TICK_S: Final = 0.1
MOST_TICKS: Final = 30  # in one gap: by then every channel that matters has long been stale
# A live source may hold samples back and hand them over in one go (USB bridges, a busy machine), so
# a tick for silence is dated this much into the past: what was held back is then not yet late.
HELD_BACK_S: Final = 0.15


def ticks_between(before_s: float, after_s: float) -> list[Sample]:
    """Return the ticks to put between two rows' times; none where the gap is short enough.

    A recorded session holds its ticks already and is replayed as it is, without this.
    """
    gap_s = after_s - before_s
    if not LONGEST_GAP_S < gap_s < float("inf"):
        return []
    count = int(min(MOST_TICKS, gap_s / TICK_S))
    ticks = [tick(before_s + TICK_S * i) for i in range(1, count + 1)]
    return [t for t in ticks if t.time_s < after_s]


class Aligner:
    """Puts ticks between a stream's rows. Used by every live source, and by files row by row."""

    def __init__(self) -> None:
        self._newest_s: float | None = None
        self._reported_s = 0.0  # how much of the silence now has been reported in ticks

    @property
    def newest_s(self) -> float | None:
        """Time of the newest row, None before the first."""
        return self._newest_s

    def admit(self, row: Sample) -> list[Sample]:
        """Return the rows to step, oldest first: ticks for a gap before ``row``, then ``row``."""
        time_s = row.time_s
        before_s = self._newest_s
        if not is_time(time_s):  # the rules count it as late
            return [row]
        if before_s is None:
            self._newest_s = time_s
            return [row]
        rows = [] if time_s - before_s <= LONGEST_GAP_S else ticks_between(before_s, time_s)
        rows.append(row)
        if time_s > before_s or before_s - time_s > 1.0:  # a clock that stepped back starts anew
            self._newest_s = time_s
            self._reported_s = 0.0
        return rows

    def silence(self, silent_s: float) -> list[Sample]:
        """Return the ticks due after ``silent_s`` of steady time without a reading (live).

        Silence is counted in steady time alone; a device's number only says where its ticks begin.

        Args:
            silent_s: Since ``newest_s`` was last moved by a reading. One whose time moves nothing
                (late, or none at all) is no news, so silence lasts through it.
        """
        if self._newest_s is None or silent_s < LONGEST_GAP_S:
            return []
        reported_s = silent_s - HELD_BACK_S
        due_s = reported_s - self._reported_s
        if due_s < TICK_S:
            return []
        rows = self.admit(tick(self._newest_s + due_s))
        self._reported_s = reported_s
        return rows


class GapFiller:
    """Puts ticks into the gaps of a log, block by block; gives what ``Aligner.admit`` would."""

    def __init__(self) -> None:
        self._aligner = Aligner()

    def fill(self, rows: Rows) -> Rows:
        """Return an (n, ROW_WIDTH) matrix with its ticks put in; itself where it needs none."""
        if not len(rows):
            return rows
        newest_s = self._aligner.newest_s
        times = rows[:, TIME]
        before = np.concatenate(([times[0] if newest_s is None else newest_s], times[:-1]))
        with np.errstate(over="ignore", invalid="ignore"):
            steps = times - before
        # Late rows, clock steps, what is no time: one by one.
        if not ((steps >= 0.0) & (np.abs(times) < TIME_BOUND_S)).all():
            filled = [row for line in rows.tolist() for row in self._aligner.admit(Sample(*line))]
            return np.array(filled)
        gaps = np.flatnonzero(steps > LONGEST_GAP_S)
        pieces = []
        start = 0
        for at in gaps.tolist():
            pieces.append(rows[start:at])
            pieces.append(np.array(ticks_between(float(before[at]), float(times[at]))))
            start = at
        pieces.append(rows[start:])
        self._aligner.admit(Sample(*rows[-1].tolist()))
        return np.concatenate(pieces) if len(pieces) > 1 else rows
