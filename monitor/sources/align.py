"""Silence is data too: ticks that let the rules see that time has passed without a reading."""

from math import inf
from typing import Final

import numpy as np

from monitor.sources.rows import Rows
from rules.channels import LATE_S, TIME, TIME_BOUND_S, Sample, is_time, tick

LONGEST_GAP_S: Final = 0.25  # between two rows the rules see
TICK_S: Final = 0.1
MOST_TICKS: Final = 30  # in one gap: by then every channel that matters has long been stale
# A live source may hold samples back and hand them over in one go (USB bridges, a busy machine), so
# a tick for silence is dated this much into the past: what was held back is then not yet late.
HELD_BACK_S: Final = 0.15
CATCH_UP_S: Final = 2.0 * LATE_S  # by then a clock within its tolerance has caught up with ticks


def ticks_between(before_s: float, after_s: float) -> list[Sample]:
    """Return the ticks to put between two rows' times; none where the gap is short enough.

    A recorded session holds its ticks already and is replayed as it is, without this.
    """
    gap_s = after_s - before_s
    if not LONGEST_GAP_S < gap_s < inf:
        return []
    count = int(min(MOST_TICKS, gap_s / TICK_S))
    ticks = [tick(before_s + TICK_S * i) for i in range(1, count + 1)]
    return [t for t in ticks if t.time_s < after_s]


class Aligner:
    """Puts ticks between a stream's rows. Used by every live source, and by files row by row.

    Silence is counted in steady time alone; a device's number only says where its ticks begin.
    """

    def __init__(self) -> None:
        self._newest_s: float | None = None
        self._read_s = 0.0  # time of the newest reading; ticks may be ahead of it
        self._reported_s = 0.0  # how much of the silence now has been reported in ticks
        self._moved_at_s = 0.0  # steady time when a reading last moved the newest time
        self._news_at_s = 0.0  # steady time of the last reading that was newer than those before
        self._behind_at_s = inf  # steady time of the first that was behind the ticks alone

    @property
    def newest_s(self) -> float | None:
        """Time of the newest row, None before the first."""
        return self._newest_s

    def admit(self, row: Sample, now_s: float | None = None) -> list[Sample]:
        """Return the rows to step, oldest first: ticks for a gap before ``row``, then ``row``.

        Args:
            row: A reading.
            now_s: Steady time, where the source is live: a reading from far ahead is then preceded
                by no more ticks than time has passed.
        """
        time_s = row.time_s
        before_s = self._newest_s
        if not is_time(time_s):  # the rules count it as late
            return [row]
        rows: list[Sample] = []
        if before_s is not None:
            if self._read_s < time_s <= before_s <= time_s + LATE_S:
                # The device goes on, and only ticks are ahead of it (its clock lost a little, or
                # runs a little slow and was silent for long): news of the newest moment known.
                self._read_s = time_s
                self._news_at_s = now_s or 0.0
                self._behind_at_s = min(self._behind_at_s, self._news_at_s)
                return [row._replace(time_s=before_s)]
            if time_s - before_s > LONGEST_GAP_S:
                until_s = time_s
                if now_s is not None:
                    until_s = min(time_s, before_s + now_s - self._moved_at_s - self._reported_s)
                rows = ticks_between(before_s, until_s)
            if before_s - LATE_S <= time_s <= before_s:  # late; further back its clock has stepped
                return [row]
        self._newest_s = self._read_s = time_s
        self._moved_at_s = self._news_at_s = now_s or 0.0
        self._reported_s, self._behind_at_s = 0.0, inf
        return [*rows, row]

    def silence(self, now_s: float) -> list[Sample]:
        """Return the ticks due at a steady time, where no reading has come for a while (live).

        A reading whose time is late, or none at all, is no news: silence lasts through it. One that
        is behind the ticks alone is news, and puts them off for as long as it takes to catch up.
        """
        silent_s = now_s - self._moved_at_s
        catching_up = now_s - self._behind_at_s < CATCH_UP_S
        quiet_s = now_s - self._news_at_s if catching_up else silent_s
        due_s = silent_s - HELD_BACK_S - self._reported_s
        if self._newest_s is None or quiet_s < LONGEST_GAP_S or due_s < TICK_S:
            return []
        rows = ticks_between(self._newest_s, self._newest_s + due_s)
        rows.append(tick(self._newest_s + due_s))
        self._newest_s += due_s
        self._reported_s += due_s
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
        times = rows[:, TIME].copy()  # one after the other: quicker to go through
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
