"""The alarm list at any row of a log: fed with the few rows that can move it."""

import threading
from bisect import bisect_right
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from monitor.attach.message_parts import StandingAlarm
from monitor.attach.protocol import Command
from monitor.guard.alarm_desk import AlarmDesk
from monitor.review.pieces import Piece
from monitor.review.window import Floats
from rules.channels import OPERATOR, OPERATOR_ACKNOWLEDGE, TIME
from rules.step.state import Decision

_SCANNED: Final = 8192


@dataclass(frozen=True, slots=True)
class AlarmMoment:
    """A row that can move an alarm: a level or the suppression changed, or the clock, or a hand.

    Attributes:
        index: The row.
        onset_kpa: Boost below which alarms are suppressed by design.
        acknowledged: Whether the operator acknowledged.
        time_s: The guard's time.
        boost_kpa: NaN where unknown.
        levels: Of every finding.
    """

    index: int
    onset_kpa: float
    acknowledged: bool
    time_s: float
    boost_kpa: float
    levels: tuple[float, ...]

    def decision(self, time_s: float) -> Decision:
        """Return as much of the decision as the alarms look at."""
        return Decision(time_s=time_s, boost_kpa=self.boost_kpa, level=list(self.levels))


def moments(piece: Piece, rows: Any, decisions: Floats) -> list[AlarmMoment]:
    """Return which of a piece's rows can move an alarm; ``rows`` are all of the log's."""
    onset_kpa = piece.rig_file.rig.command.start_boost_kpa
    named = Decision.named(decisions)
    times_s, boosts_kpa, levels = named["time_s"], named["boost_kpa"], named["level"]
    with np.errstate(invalid="ignore"):
        suppressed = boosts_kpa < onset_kpa
    acknowledged = rows[piece.start : piece.end, OPERATOR] == OPERATOR_ACKNOWLEDGE
    moved = acknowledged.copy()
    moved[1:] |= (levels[1:] != levels[:-1]).any(axis=1) | (suppressed[1:] != suppressed[:-1])
    back = np.flatnonzero(np.diff(times_s) < 0.0)
    moved[back] = moved[back + 1] = True  # how far it stepped back counts from the row before
    moved[[0, -1]] = True  # so that each piece can be told by itself
    at = np.flatnonzero(moved)
    return [
        AlarmMoment(piece.start + i, onset_kpa, hand, time_s, boost_kpa, tuple(level))
        for i, hand, time_s, boost_kpa, level in zip(
            at.tolist(),
            acknowledged[at].tolist(),
            times_s[at].tolist(),
            boosts_kpa[at].tolist(),
            levels[at].tolist(),
            strict=True,
        )
    ]


Standing = tuple[list[StandingAlarm], bool]


class AlarmHistory:
    """The alarm list over a whole log, worked out as far as it is asked for.

    Args:
        moments: Of the whole log, in order; at least one.
        rows: All rows of the log.
    """

    def __init__(self, moments: list[AlarmMoment], rows: Any) -> None:
        self._moments = moments
        self._rows = rows
        self._onset_kpa = moments[0].onset_kpa
        self._desk = AlarmDesk(self._onset_kpa)
        self._fed = 0
        self._at: list[int] = []
        self._standing: list[Standing] = []
        self._lock = threading.Lock()

    def at(self, index: int) -> Standing:
        """Return what stands at a row, and whether the bell sounds."""
        with self._lock:
            moments = self._moments
            # One moment more than the row's own: a delay may end between the two.
            while self._fed < len(moments) and (
                self._fed == 0 or moments[self._fed - 1].index <= index
            ):
                self._feed(moments[self._fed])
                self._fed += 1
            place = bisect_right(self._at, index) - 1
            return self._standing[place] if place >= 0 else ([], False)

    def _feed(self, moment: AlarmMoment) -> None:
        desk = self._desk
        last = self._moments[self._fed - 1] if self._fed else None
        # A delay that ends between two moments is news of the first row at or behind its end.
        while last is not None and desk.due_s <= moment.time_s:
            due_s = desk.due_s
            found = _first_at(self._rows, last.index + 1, moment.index, due_s)
            if found is None:
                break
            desk.feed(last.decision(found[1]))
            self._note(found[0], desk)
            if desk.due_s == due_s:
                break
        if moment.onset_kpa != self._onset_kpa:
            self._onset_kpa = moment.onset_kpa
            desk.change(moment.onset_kpa)
        desk.feed(moment.decision(moment.time_s))
        if moment.acknowledged:
            desk.obey(Command("acknowledge"), moment.time_s)
        self._note(moment.index, desk)

    def _note(self, index: int, desk: AlarmDesk) -> None:
        now = (desk.standing(), desk.sounding)
        if not self._standing or now != self._standing[-1]:
            self._at.append(index)
            self._standing.append(now)


def _first_at(rows: Any, start: int, end: int, time_s: float) -> tuple[int, float] | None:
    """Return the first row between two that isn't before a time, and the guard's time in it.

    Between two moments no clock steps back, so that row is not late and its time is the guard's.
    """
    for at in range(start, end, _SCANNED):
        times = rows[at : min(end, at + _SCANNED), TIME]
        found = np.flatnonzero(np.isfinite(times) & (times >= time_s))
        if len(found):
            return at + int(found[0]), float(times[found[0]])
    return None
