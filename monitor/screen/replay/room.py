"""What is being replayed, where in it we stand, and what the person has set. Knows no screen."""

from bisect import bisect_right
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from monitor.attach.message_parts import EventFacts, LikelyCause
from monitor.review.compare import Difference
from monitor.review.decided_log import Decided, TurnAt
from monitor.review.log import Log
from monitor.review.marks import Mark, Marks
from monitor.review.player import Player
from monitor.review.row_gaps import Pace
from monitor.screen.replay.what_if import WhatIf
from monitor.words.events import EventWords, event_in_words
from rules.events import Turn

SPANS_S: Final = (1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0, 7200.0)
USUAL_S: Final = (20.0, 60.0, float("inf"), 10.0)  # what the span key goes through; inf: all of it
LEAST_SPAN_S: Final = 1.0
NEAR_ENTRIES: Final = 32  # so many before the moment may lead
NOTICE_S: Final = 8.0
CAUSES_LOOKED_FOR: Final = 24  # moments of an event at which its causes are looked for
_ORDER: Final = {"event": 0, "difference": 1, "gap": 2, "mark": 3}


@dataclass(frozen=True, slots=True)
class Entry:
    """Something in the list: an event, a mark, a gap, or what changed thresholds make different.

    Attributes:
        kind: Which.
        time_s: Where it stands on the axis.
        index: Row in which an event was raised; -1 for others, which have a time alone.
        number: Place among the events, gaps or differences; a mark's own number.
    """

    kind: Literal["event", "difference", "gap", "mark"]
    time_s: float
    index: int
    number: int

    @property
    def key(self) -> tuple[str, int, int]:
        """What it is, to find it again in another list."""
        return self.kind, self.index, self.number


@dataclass(slots=True)
class Remark:
    """A line for the person; ``odd`` where something was refused."""

    text: str
    at_s: float
    odd: bool = False


@dataclass(slots=True)
class Room:
    """The state of a replay.

    Attributes:
        log: What is replayed.
        who: Who sets marks.
        progress: How far opening is, 0 to 1.
        base: The log as it was opened, decided; None until it is.
        shown: What is shown: ``base``, or what would have been.
        player: Where the time stands; None until the log is open.
        pace: How evenly the log's rows come.
        marks: The person's marks.
        cursors: Times of the cursors, by ``a`` and ``b``.
        span_s: Width of the plot, s; infinite: the whole log.
        entries: Events, differences and marks, by time.
        counts: How many there are of each kind.
        chosen: Key of the chosen entry; None: it follows the moment.
        notice: The newest line for the person.
        what_if: Thresholds changed to see what would have been.
        busy: What is being worked out in the background, in words.
        scroll: How far an open page of text is scrolled.
    """

    log: Log
    who: str
    progress: float = 0.0
    base: Decided | None = None
    shown: Decided | None = None
    player: Player | None = None
    pace: Pace = field(default_factory=Pace)
    marks: Marks = field(default_factory=Marks)
    cursors: dict[str, float] = field(default_factory=dict)
    span_s: float = USUAL_S[0]
    entries: list[Entry] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    chosen: tuple[str, int, int] | None = None
    notice: Remark | None = None
    what_if: WhatIf = field(default_factory=WhatIf)
    busy: str = ""
    scroll: int = 0
    _turns: dict[int, list[TurnAt]] = field(default_factory=dict)
    _cleared_at: list[int] = field(default_factory=list)
    _causes: dict[int, tuple[float, list[LikelyCause]]] = field(default_factory=dict)

    # --- what is decided ------------------------------------------------------------------------

    @property
    def open(self) -> tuple[Decided, Player]:
        """What is shown, and where.

        Raises:
            ValueError: The log isn't open yet.
        """
        if self.shown is None or self.player is None:
            raise ValueError("found a log that is not open yet, expected an open one")
        return self.shown, self.player

    def opened(self, decided: Decided, marks: Marks, pace: Pace) -> None:
        """Take the log, decided as it was opened."""
        self.base, self.marks, self.pace = decided, marks, pace
        self.player = Player(decided)
        self.show(decided)

    def show(self, decided: Decided, differences: list[Difference] | None = None) -> None:
        """Show another deciding of the log; the moment stays."""
        self.shown = decided
        self.what_if.differences = differences or []
        if self.player is not None:
            self.player.play_on(decided)
        self._turns = {}
        for turn in decided.turns:
            self._turns.setdefault(turn.number, []).append(turn)
        self._cleared_at = [turn.index for turn in decided.turns if turn.turn is Turn.CLEARED]
        self._causes = {}
        self.list_anew()

    def list_anew(self) -> None:
        """Make the list again, after marks or differences changed."""
        decided, _ = self.open
        entries = [
            Entry("event", self._turns[number][0].time_s, index, number)
            for number, index in enumerate(decided.raised_at)
        ]
        entries += [
            Entry("difference", one.time_s, -1, number)
            for number, one in enumerate(self.what_if.differences)
        ]
        entries += [
            Entry("gap", one.time_s, -1, number) for number, one in enumerate(self.pace.silences)
        ]
        entries += [Entry("mark", mark.time_s, -1, mark.number) for mark in self.marks.marks]
        self.counts = {kind: sum(one.kind == kind for one in entries) for kind in _ORDER}
        self.entries = sorted(entries, key=lambda one: (one.time_s, _ORDER[one.kind], one.number))

    # --- where we are ---------------------------------------------------------------------------

    @property
    def length_s(self) -> float:
        """How long the log is, s; never nought, so that it can be divided by."""
        decided, _ = self.open
        return max(decided.to_s - decided.from_s, 1e-3)

    @property
    def whole(self) -> bool:
        """Whether the plot shows all of it."""
        return self.span_s >= self.length_s

    def stretch(self, columns: int) -> tuple[float, float]:
        """Return the edges of the plot, s: around the moment, but not beyond the log's ends.

        The left edge moves by whole columns of dots, so that dots don't flicker as time passes.
        """
        decided, player = self.open
        if self.whole:
            return decided.from_s, decided.from_s + max(self.length_s, LEAST_SPAN_S)
        dot_s = self.span_s / max(1, columns)
        start_s = decided.from_s + dot_s * int(
            (player.time_s - self.span_s / 2.0 - decided.from_s) / dot_s
        )
        start_s = max(decided.from_s, min(start_s, decided.to_s - self.span_s))
        return start_s, start_s + self.span_s

    def zoom(self, steps: int) -> None:
        """Show less (negative) or more of the log."""
        spans = [span for span in SPANS_S if span < self.length_s] or [LEAST_SPAN_S]
        spans = [*spans, float("inf")]
        now = spans[-1] if self.whole else self.span_s
        at = spans.index(now) if now in spans else bisect_right(spans, now) - 1
        self.span_s = spans[min(len(spans) - 1, max(0, at + steps))]

    def next_span(self) -> None:
        """Go through the usual spans."""
        spans = [span for span in USUAL_S if span < self.length_s or span == float("inf")]
        now = float("inf") if self.whole else self.span_s
        at = spans.index(now) + 1 if now in spans else 0
        self.span_s = spans[at % len(spans)]

    @property
    def span_words(self) -> str:
        """The span of the plot in words."""
        return "whole log" if self.whole else f"{self.span_s:zg} s"

    @property
    def stops(self) -> list[float]:
        """Times that the event keys stop at beside events: marks, gaps, and what differs."""
        found = [mark.time_s for mark in self.marks.marks]
        found += [one.time_s for one in self.pace.silences]
        return sorted(found + [one.time_s for one in self.what_if.differences])

    # --- the list -------------------------------------------------------------------------------

    def chosen_at(self) -> int:
        """Return the chosen entry's place.

        Where none is chosen: the one the moment stands on; else, of the events that hold there, the
        first of the worst, as on the live screen; else the last before the moment.
        """
        if not self.entries:
            return 0
        for place, entry in enumerate(self.entries if self.chosen else ()):
            if entry.key == self.chosen:
                return place
        _, player = self.open
        before = bisect_right(self.entries, player.time_s, key=lambda entry: entry.time_s)
        last = max(0, before - 1)
        if not before or self.entries[last].time_s >= player.time_s:
            return last
        holding = []
        for place in range(max(0, before - NEAR_ENTRIES), before):
            if self.entries[place].kind == "event":
                told, _ = self.event_of(self.entries[place])
                if told.active:
                    holding.append((told.level, -place))
        return -max(holding)[1] if holding else last

    def choose(self, step: int) -> None:
        """Choose another entry."""
        if self.entries:
            at = min(len(self.entries) - 1, max(0, self.chosen_at() + step))
            self.chosen = self.entries[at].key

    @property
    def chosen_entry(self) -> Entry | None:
        """The chosen entry; None where the list is empty."""
        return self.entries[self.chosen_at()] if self.entries else None

    def mark_of(self, entry: Entry) -> Mark:
        """Return an entry's mark."""
        return next(mark for mark in self.marks.marks if mark.number == entry.number)

    def event_of(self, entry: Entry) -> tuple[EventWords, bool]:
        """Return an entry's event as it stood at the moment, and whether that had begun.

        One that comes later is as it stood at its end. Its time is that of the axis, as all others
        here, also where the log's own clock stepped back.
        """
        decided, player = self.open
        turns = self._turns.get(entry.number, [])
        past = bisect_right(turns, player.index, key=lambda turn: turn.index)
        if past:
            told = event_in_words(turns[past - 1].event)
            return replace(told, time_s=entry.time_s), True
        last = event_in_words(EventFacts.of(decided.events[entry.number]))
        return replace(last, time_s=entry.time_s), False

    @property
    def active(self) -> int:
        """How many events had begun and not cleared at the moment."""
        decided, player = self.open
        begun = bisect_right(decided.raised_at, player.index)
        return begun - bisect_right(self._cleared_at, player.index)

    def causes_of(self, entry: Entry) -> tuple[list[LikelyCause], float] | None:
        """Return an event's likely causes and at which time they are; None: not worked out yet.

        Those of the moment, where the event lasts and has some; else the first of the event: in
        its first row there is little to judge by.
        """
        decided, player = self.open
        turns = self._turns.get(entry.number, [])
        cleared = [turn.index for turn in turns if turn.turn is Turn.CLEARED]
        end = cleared[-1] - 1 if cleared else decided.rows - 1
        first = decided.raised_at[entry.number]
        if first <= player.index <= end:
            now = decided.causes_at(player.index)
            if now is None:
                return None
            if now:
                return now, decided.time_s(player.index)
        if entry.number not in self._causes:
            found = self._first_causes(decided, first, max(first, end))
            if found is None:
                return None
            self._causes[entry.number] = found
        time_s, causes = self._causes[entry.number]
        return causes, time_s

    @staticmethod
    def _first_causes(
        decided: Decided, first: int, end: int
    ) -> tuple[float, list[LikelyCause]] | None:
        for i in range(CAUSES_LOOKED_FOR + 1):
            share = (i / CAUSES_LOOKED_FOR) ** 2  # close together at first, then further apart
            at = first + round(share * (end - first))
            causes = decided.causes_at(at)
            if causes is None:
                return None
            if causes:
                return decided.time_s(at), causes
        return decided.time_s(first), []
