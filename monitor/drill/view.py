"""What a trainee's viewers see of a ride, by whitelist: what is not named here is held back.

Readings are shown as they come. What the guard does is shown unless the failsafe is off, later
where it is late; why it does so, only as far as the lesson shows it.
"""

import copy
from collections import deque
from dataclasses import dataclass, field, replace
from math import isfinite
from typing import Final

import msgspec

from monitor.attach import protocol
from monitor.attach.listeners import Tell
from monitor.attach.message_parts import DecisionHead, EventFacts, LikelyCause, Statistics
from monitor.attach.terms import shown
from monitor.drill.readings import Readings
from monitor.guard.news import News
from monitor.source_facts import SourceKind
from rules.channels import BOOST, CHANNEL_NAMES, COLUMN_OF, DELIVERED, Sample
from rules.explain import status, what_is_done
from rules.facts import Rig
from rules.step.from_rig import witness_column
from rules.step.state import Decision
from simulator.drill.lesson import Lesson
from simulator.drill.words import Failsafe

SOURCE: Final = "drill"
HISTORY_ROWS: Final = 3000
HISTORY_ROWS_SENT: Final = 1500
# Of a decision: what is done to the engine, and what speaks for it.
DONE: Final = ("action", "retard_deg", "boost_ceiling_kpa")
EVIDENCE: Final = (
    *("debt_ml", "debt_s", "peak_debt_ml", "short_s", "missing_share", "evidence"),
    *("line_evidence", "charge_evidence", "surplus", "expected_ml_min", "least_ml_min"),
    *("most_ml_min", "line_due_kpa", "charge_due_c", "all_healthy", "tank_s"),
)
# A fault may show first in a reading that the live screen has no room for.
_MORE: Final = ("value_lambda_ratio", "value_dry_intake_c", "value_throttle_pct")
SENT: Final = (*protocol.TRACE, *_MORE)
_OF_VALUE: Final = {f"value_{name}": COLUMN_OF[name] for name in CHANNEL_NAMES}
_READ: Final = {"delivered_ml_min": DELIVERED, "boost_kpa": BOOST, **_OF_VALUE}
_NAN: Final = float("nan")


@dataclass
class Showing:
    """All that changes as a ride goes on.

    Attributes:
        news: What there is to say of the decisions that are told.
        readings: What the sensors say.
        newest: The newest decision.
        told: The newest one that is told; None: none is, or never will be.
        rows: How many rows came.
        waiting: Decisions that aren't told yet, each with the time when it is.
        history: The newest of the rows that viewers draw.
    """

    news: News
    readings: Readings
    newest: Decision | None = None
    told: Decision | None = None
    rows: int = 0
    waiting: deque[tuple[float, Decision]] = field(default_factory=deque)
    history: deque[tuple[float, ...]] = field(default_factory=lambda: deque(maxlen=HISTORY_ROWS))


class View:
    """Turns what comes of a ride into a guard's messages, and holds back the rest.

    Args:
        lesson: Which says what is shown.
        tell: Takes what is told.
    """

    def __init__(self, lesson: Lesson, tell: Tell) -> None:
        self._rig: Rig = lesson.scenario.rig
        self._failsafe = lesson.failsafe
        self._late_by_s = lesson.late_by_s
        self._shows = lesson.shows if lesson.failsafe is not Failsafe.OFF else frozenset()
        self._tell = tell
        self._now = Showing(News(self._rig), Readings(self._rig))
        self._fresh: list[tuple[float, ...]] = []

    @property
    def alarms_shown(self) -> bool:
        """Whether there are any alarms to acknowledge."""
        return self._failsafe is not Failsafe.OFF

    @property
    def told(self) -> Decision | None:
        """The newest decision that is told."""
        return self._now.told

    @property
    def news(self) -> News:
        """What there is to say of decisions, the alarms among it."""
        return self._now.news

    def take(self, time_s: float, came: list[tuple[Sample, Decision]]) -> None:
        """Take what came of a step of the ride, at its time."""
        now = self._now
        for row, decision in came:
            now.rows += 1
            now.readings.take(row, time_s)
            now.newest = decision
            now.waiting.append((time_s + self._late_by_s, decision))
            while now.waiting and now.waiting[0][0] <= time_s:
                self._hear(now.waiting.popleft()[1])
            self._fresh.append(self._row(decision))

    def _hear(self, decision: Decision) -> None:
        if self._failsafe is not Failsafe.OFF:
            self._now.told = decision
            self.report(*self._now.news.feed(decision))

    def report(self, *messages: protocol.Message) -> None:
        """Tell what may be told of these."""
        for message in messages:
            if (told := self._held_back(message)) is not None:
                self._tell(told)

    def show(self) -> None:
        """Tell a frame, and what news there is."""
        now = self._now
        if now.told is not None:
            self.report(*now.news.due(now.told.time_s))
        rows, self._fresh = self._fresh, []
        now.history.extend(rows)
        if now.newest is not None:
            self._tell(self._frame(now.newest, rows))

    def frames(self) -> list[protocol.Frame]:
        """Return a frame without rows, for whoever comes while nothing moves; none at the start."""
        newest = self._now.newest
        return [] if newest is None else [self._frame(newest, [])]

    def hello(self, pid: int) -> protocol.Hello:
        """Return what a viewer is greeted with."""
        every = max(1, len(self._now.history) // HISTORY_ROWS_SENT)
        events = self._now.news.events if "events" in self._shows else ()
        return protocol.Hello(
            protocol=protocol.PROTOCOL,
            pid=pid,
            source=SOURCE,
            source_kind=SourceKind.SIMULATED,
            session=None,
            channels=[terms.name for terms in self._rig.channels],
            witness=CHANNEL_NAMES[witness_column(self._rig) - 1],
            trace=list(SENT),
            history=[list(row) for row in list(self._now.history)[::every]],
            events=[self._event(EventFacts.of(event)) for event in events],
            **shown(self._rig),
        )

    def statistics(self) -> Statistics:
        """Return how many rows there were; nothing else is told."""
        return Statistics(drift_ppm=None, decoded=self._now.rows, decided=self._now.rows)

    def mark(self) -> Showing:
        """Return this moment, to go back to."""
        now = self._now
        now.history.extend(self._fresh)
        self._fresh = []
        return replace(
            now,
            news=copy.deepcopy(now.news, {id(self._rig): self._rig}),
            readings=now.readings.copy(),
            waiting=now.waiting.copy(),
            history=now.history.copy(),
        )

    def rewind(self, moment: Showing) -> None:
        """Be as at a moment; it can be gone back to again."""
        self._now, self._fresh = moment, []
        self._now = self.mark()

    # --- what is held back ----------------------------------------------------------------------

    def _frame(self, newest: Decision, rows: list[tuple[float, ...]]) -> protocol.Frame:
        every = -(-len(rows) // protocol.MOST_ROWS_A_FRAME) or 1
        told, news = self._now.told, self._now.news
        frame = protocol.Frame(
            status=self._status(told),
            decision=self._head(newest, told),
            health=self._health(),
            statistics=self.statistics(),
            rows=[list(row) for row in rows[::every]],
        )
        if told is not None:
            frame.alarms, frame.sounding = news.alarms.standing(), news.alarms.sounding
            if "evidence" in self._shows:
                frame.health = protocol.health_of(self._rig, told)
            if "causes" in self._shows:
                frame.causes = self._causes(news.causes.ranked)
        return frame

    def _health(self) -> dict[str, str]:
        """Return what a viewer shows a channel by: whether it reads, whatever the guard thinks."""
        value = self._now.readings.value
        return {
            terms.name: "healthy" if isfinite(value(COLUMN_OF[terms.name])) else "absent"
            for terms in self._rig.channels
        }

    def _status(self, told: Decision | None) -> str:
        if told is None:
            return ""
        if "events" in self._shows:
            return status(self._rig, told)
        done = what_is_done(told)
        return f"{done[0].upper()}{done[1:]}."

    def _head(self, newest: Decision, told: Decision | None) -> DecisionHead:
        found = {
            "time_s": newest.time_s,
            "commanded_ml_min": newest.commanded_ml_min,
            "delivered_ml_min": self._now.readings.value(DELIVERED),
            "boost_kpa": self._now.readings.value(BOOST),
        }
        if told is not None:
            names = DONE + EVIDENCE if "evidence" in self._shows else DONE
            found |= {name: getattr(told, name) for name in names}
        return DecisionHead(**{name: x for name, x in found.items() if -1e300 < x < 1e300})

    def _row(self, newest: Decision) -> tuple[float, ...]:
        return tuple([self._column(name, newest) for name in SENT])

    def _column(self, name: str, newest: Decision) -> float:
        if name in ("time_s", "commanded_ml_min"):
            return float(getattr(newest, name))
        if name in _READ:
            return self._now.readings.value(_READ[name])
        told = self._now.told
        if told is None or (name not in DONE and "evidence" not in self._shows):
            return _NAN
        return float(getattr(told, name))

    def _held_back(self, message: protocol.Message) -> protocol.Message | None:
        """Return what may be told of a message; None: nothing."""
        if isinstance(message, protocol.AlarmTurn | protocol.Operation):
            return message if self.alarms_shown else None
        if isinstance(message, protocol.EventTurn) and "events" in self._shows:
            event = self._event(message.event)
            return protocol.EventTurn(message.turn, event, event.check_first)
        if isinstance(message, protocol.CauseLine) and "causes" in self._shows:
            return protocol.CauseLine(message.time_s, self._causes(message.causes))
        if isinstance(message, protocol.Notice) and "evidence" in self._shows:
            return message
        return None

    def _event(self, event: EventFacts) -> EventFacts:
        return event if "advice" in self._shows else msgspec.structs.replace(event, check_first="")

    def _causes(self, causes: list[LikelyCause]) -> list[LikelyCause]:
        if "advice" in self._shows:
            return causes
        return [msgspec.structs.replace(cause, check_first="") for cause in causes]
