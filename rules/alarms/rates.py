"""How often alarms ring, against the benchmarks of EEMUA 191.

Benchmarks are for one plant operator in steady operation (EEMUA 191; ANSI/ISA-18.2 performance
metrics); a driver has far less attention to give, so they are upper bounds.

What is counted: an annunciation is a move after which an alarm calls for attention it wasn't
calling for before (``Transition.annunciates``). Windows slide and close exactly when an
annunciation leaves them, however rarely the counter is fed. Memory is bounded: ``MOST_COUNTED``
annunciations in 10 min (more are counted as that many), 10 min steps for the day, three times and
one state for each alarm.
"""

from collections import deque
from collections.abc import Iterable
from typing import Final, NamedTuple

from rules.alarms.alarm import NEVER, ON_THE_LIST, AlarmState, ForwardClock, Priority, Transition

# EEMUA 191 and ANSI/ISA-18.2 performance metrics, per operator in steady operation.
TEN_MIN_S: Final = 600.0
DAY_S: Final = 86400.0
MEAN_PER_10MIN_ACCEPTABLE: Final = 1
MEAN_PER_10MIN_MANAGEABLE: Final = 2
PER_DAY_ACCEPTABLE: Final = 150
PER_DAY_MOST: Final = 300
FLOOD_TIME_PCT: Final = 1
STALE_MOST: Final = 5
STALE_AFTER_S: Final = DAY_S
CHATTERING_MOST: Final = 0
CHATTER_COUNT: Final = 3
CHATTER_WITHIN_S: Final = 60.0
HIGH_PRIORITY_PCT: Final = 5  # of all; 15 % medium, 80 % low
FLOOD_START: Final = 10
FLOOD_END_BELOW: Final = 5


MOST_COUNTED: Final = 10_000
_STEPS_A_DAY: Final = round(DAY_S / TEN_MIN_S)


class Assessment(NamedTuple):
    """One benchmark: its name, what was found, the benchmark, a verdict, and all in words.

    ``verdict`` is ``"acceptable"``, ``"manageable"``, ``"over"``, or ``"too early"`` where less
    time has been watched than the benchmark speaks of.
    """

    benchmark: str
    found: float
    most: float
    verdict: str
    words: str


class AlarmRates:
    """Counts the annunciations of an ``AlarmBook``."""

    def __init__(self) -> None:
        self.total = 0
        self.peak_per_10min = 0
        self.floods = 0
        self.in_flood = False
        self.by_priority = dict.fromkeys(Priority, 0)
        self.chattering: tuple[str, ...] = ()
        self._clock = ForwardClock()
        self._started_s = NEVER
        self._reached_s = 0.0
        self._flood_s = 0.0
        self._recent: deque[float] = deque(maxlen=MOST_COUNTED)
        self._steps: deque[tuple[float, int]] = deque(maxlen=_STEPS_A_DAY)
        self._rings: dict[str, deque[float]] = {}
        self._listed_since: dict[str, float] = {}

    @property
    def per_10min(self) -> int:
        """Annunciations of the last 10 minutes."""
        return len(self._recent)

    @property
    def per_day(self) -> int:
        """Annunciations of the last 24 hours, to the last step of 10 minutes."""
        oldest = self._reached_s // TEN_MIN_S - _STEPS_A_DAY
        return sum(count for step, count in self._steps if step > oldest)

    @property
    def watched_s(self) -> float:
        """Time watched, s; 0 before the first feed."""
        return max(0.0, self._reached_s - self._started_s)

    @property
    def mean_per_10min(self) -> float:
        """Mean annunciations in 10 minutes since the start (of at least 10 minutes)."""
        return self.total * TEN_MIN_S / max(self.watched_s, TEN_MIN_S)

    @property
    def flood_time_pct(self) -> float:
        """Share of the time watched that was spent in floods, %."""
        return 100.0 * self._flood_s / self.watched_s if self.watched_s > 0.0 else 0.0

    @property
    def stale(self) -> tuple[str, ...]:
        """Alarms on the list for more than 24 h without a break."""
        return tuple(
            name
            for name, since_s in self._listed_since.items()
            if self._reached_s - since_s > STALE_AFTER_S
        )

    def feed(self, time_s: float, transitions: Iterable[Transition] = ()) -> None:
        """Take what a book just told; with none, let the time pass.

        Args:
            time_s: Now, on the book's time base; where it steps back no time has passed.
            transitions: From one call of the book, in its order.
        """
        if self._clock.read(time_s) and self._started_s == NEVER:
            self._started_s = self._reached_s = self._clock.now_s
        now_s = self._clock.now_s
        for moved in transitions:
            at_s = moved.time_s + self._clock.offset_s
            # A move is never earlier than the last one counted, nor later than now.
            self._pass_time(min(max(at_s, self._reached_s), now_s))
            self._count(moved)
        self._pass_time(now_s)

    def assessment(self) -> tuple[Assessment, ...]:
        """Return each benchmark against what was found, in plain words."""
        early = self.watched_s < TEN_MIN_S
        # A count that is over already doesn't get better by waiting; a share does.
        first_min = early and self.mean_per_10min <= MEAN_PER_10MIN_MANAGEABLE
        first_day = self.watched_s < DAY_S and self.per_day <= PER_DAY_MOST
        calm = FLOOD_START - 1
        urgent_pct = 100.0 * self.by_priority[Priority.HIGH] / max(1, self.total)
        few = self.total < 100 // HIGH_PRIORITY_PCT  # too few to show such a share
        mean = (MEAN_PER_10MIN_ACCEPTABLE, MEAN_PER_10MIN_MANAGEABLE, first_min)
        day = (PER_DAY_ACCEPTABLE, PER_DAY_MOST, first_day)
        flood = (FLOOD_TIME_PCT, FLOOD_TIME_PCT, early)
        high = (HIGH_PRIORITY_PCT, HIGH_PRIORITY_PCT, few)
        return (
            _assess("mean in 10 min", self.mean_per_10min, *mean),
            _assess("in a day", self.per_day, *day),
            _assess("peak in 10 min", self.peak_per_10min, calm, calm),
            _assess("% of time in floods", self.flood_time_pct, *flood),
            _assess("standing over 24 h", len(self.stale), STALE_MOST, STALE_MOST),
            _assess("chattering", len(self.chattering), CHATTERING_MOST, CHATTERING_MOST),
            _assess("% of high priority", urgent_pct, *high),
        )

    def _pass_time(self, to_s: float) -> None:
        """Let time pass, closing windows and floods when they close."""
        while self._recent and self._recent[0] + TEN_MIN_S <= to_s:
            self._in_flood_until(self._recent.popleft() + TEN_MIN_S)
            if len(self._recent) < FLOOD_END_BELOW:
                self.in_flood = False
        self._in_flood_until(to_s)

    def _in_flood_until(self, to_s: float) -> None:
        if to_s > self._reached_s:
            if self.in_flood:
                self._flood_s += to_s - self._reached_s
            self._reached_s = to_s

    def _count(self, moved: Transition) -> None:
        at_s = self._reached_s
        if moved.after not in ON_THE_LIST:
            self._listed_since.pop(moved.alarm, None)
        else:
            self._listed_since.setdefault(moved.alarm, at_s)
        if not moved.annunciates:
            return
        self.total += 1
        self.by_priority[moved.priority] += 1
        self._recent.append(at_s)
        self.peak_per_10min = max(self.peak_per_10min, len(self._recent))
        if len(self._recent) >= FLOOD_START and not self.in_flood:
            self.in_flood = True
            self.floods += 1
        step = at_s // TEN_MIN_S
        before = self._steps.pop()[1] if self._steps and self._steps[-1][0] == step else 0
        self._steps.append((step, before + 1))
        if moved.before is AlarmState.ACKNOWLEDGED:
            return  # it got worse; that is no chatter
        rings = self._rings.setdefault(moved.alarm, deque(maxlen=CHATTER_COUNT))
        rings.append(at_s)
        close = len(rings) == CHATTER_COUNT and at_s - rings[0] <= CHATTER_WITHIN_S
        if close and moved.alarm not in self.chattering:
            self.chattering += (moved.alarm,)


def _assess(
    benchmark: str, found: float, acceptable: float, most: float, too_early: bool = False
) -> Assessment:
    if too_early:
        verdict = "too early"
    elif found <= acceptable:
        verdict = "acceptable"
    else:
        verdict = "manageable" if found <= most else "over"
    words = f"alarms {benchmark}: {found:z.3g} (benchmark {acceptable:z.3g}"
    words += f", at most {most:z.3g}" if most != acceptable else ""
    return Assessment(benchmark, found, most, verdict, f"{words}): {verdict}")
