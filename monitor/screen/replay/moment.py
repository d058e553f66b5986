"""One recorded moment, as the panes of the live dashboard want it: never old, never "now"."""

from monitor.review.decided_log import Decided
from monitor.review.messages import frame_at, hello_of
from monitor.screen.picture import Link, Picture
from rules.channels import COLUMN_OF
from rules.facts import Rig
from rules.step.state import Decision

_OWN_FIELDS = {"boost_kpa", "delivered_ml_min"}


class Moment(Picture):
    """The picture of one row of a log."""

    def __init__(self) -> None:
        super().__init__(0.0)
        self._decided: Decided | None = None
        self._index = -1
        self._rig: Rig | None = None
        self._decision: Decision | None = None

    def stand_at(self, decided: Decided, index: int, from_s: float, columns: int) -> None:
        """Show a row.

        Args:
            decided: The log, decided.
            index: The row.
            from_s: From where on the trends are wanted, s.
            columns: How many columns of dots they have.
        """
        same = decided is self._decided
        if not same or index != self._index:
            rig = decided.rig_at(index)
            if not same or rig is not self._rig:
                self._rig = rig
                self.hello = hello_of(decided, index)
            self._decided, self._index = decided, index
            self._decision = decided.decision(index)
            self.frame = frame_at(decided, index)
        elif self.frame is not None and not self.frame.causes:
            self.frame = frame_at(decided, index)  # they may have been worked out by now
        if self.frame is not None:
            self.causes = self.frame.causes
        self.trace = decided.trace(from_s, decided.time_s(index), columns)  # type: ignore[assignment]  # the same reading face

    def link(self, now_s: float) -> Link:
        """A moment of a log is neither old nor silent."""
        del now_s
        return Link.WAITING if self.frame is None else Link.LIVE

    def value(self, channel: str) -> float:
        """Return a channel's value in this row, NaN unless it was healthy."""
        if self._decision is None or self.health(channel) != "healthy":
            return float("nan")
        if channel in _OWN_FIELDS:
            return float(getattr(self._decision, channel))
        return self._decision.value[COLUMN_OF[channel]]
