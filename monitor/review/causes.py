"""The likeliest causes at any row: the ranking of a running guard, run over the whole log."""

import threading
from bisect import bisect_right
from typing import Any

from monitor.attach.message_parts import LikelyCause
from monitor.guard.cause_desk import CauseDesk
from monitor.review.log import Progress, Stop, Stopped
from monitor.review.pieces import Piece, decide_piece
from rules.step.state import Decision


class CauseHistory:
    """The ranking over a whole log, given its pieces and rows; worked out when asked to."""

    def __init__(self, pieces: list[Piece], rows: Any) -> None:
        self._pieces = pieces
        self._rows = rows
        self._desk = CauseDesk(pieces[0].rig_file.rig)
        self._rig = pieces[0].rig_file.rig
        self._next = 0
        self._at: list[int] = []
        self._ranked: list[list[LikelyCause]] = []
        self._lock = threading.Lock()
        self._working = threading.Lock()

    def at(self, index: int) -> list[LikelyCause] | None:
        """Return the likeliest causes at a row; None: not worked out yet."""
        with self._lock:
            if self._next < len(self._pieces) and index >= self._pieces[self._next].start:
                return None
            place = bisect_right(self._at, index) - 1
            return self._ranked[place] if place >= 0 else []

    def work(self, progress: Progress | None = None, stop: Stop | None = None) -> None:
        """Work on to the end.

        Raises:
            Stopped: ``stop`` said so; the next call goes on from there.
        """
        with self._working:
            while self._next < len(self._pieces):
                if stop is not None and stop():
                    raise Stopped
                found = self._piece(self._pieces[self._next])
                with self._lock:
                    for index, ranked in found:
                        self._at.append(index)
                        self._ranked.append(ranked)
                    self._next += 1
                if progress is not None:
                    progress(self._next / len(self._pieces))

    def _piece(self, piece: Piece) -> list[tuple[int, list[LikelyCause]]]:
        desk = self._desk
        if piece.rig_file.rig is not self._rig:
            self._rig = piece.rig_file.rig
            desk.change(self._rig)
        found = []
        before = desk.ranked
        for at, row in enumerate(decide_piece(piece, self._rows).tolist()):
            desk.feed(Decision.of_flat(row))
            desk.work()
            if desk.ranked is not before and desk.ranked != before:
                before = desk.ranked
                found.append((piece.start + at, before))
        return found
