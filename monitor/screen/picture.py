"""What the guard has said so far, and how old that is. Knows no screen."""

from collections import deque
from enum import Enum
from typing import Final

from msgspec import structs

from monitor.attach.message_parts import DecisionHead, LikelyCause, StandingAlarm, Statistics
from monitor.attach.protocol import (
    AlarmTurn,
    Answer,
    Bye,
    CauseLine,
    Ending,
    EventTurn,
    Frame,
    Hello,
    Message,
    Notice,
    Operation,
    Terms,
    end_in_words,
    outputs_in_doubt,
)
from monitor.screen.spacing import SILENT_S, Spacing
from monitor.screen.trace import Trace
from monitor.source_facts import SourceKind
from monitor.words.alarms import done_in_words
from monitor.words.events import KnownEvents
from monitor.words.literal import plain

RATE_OVER_S: Final = 2.0
SLOW_S: Final = 0.25
LATELY_S: Final = 10.0
_UNDECIDED: Final = DecisionHead()
_UNCOUNTED: Final = Statistics(drift_ppm=None)
_VALUE_COLUMNS: Final = {"boost_kpa": "boost_kpa", "delivered_ml_min": "delivered_ml_min"}


class Link(Enum):
    """How things stand with the guard; only LIVE shows the present."""

    WAITING = "waiting"
    LIVE = "live"
    SILENT = "silent"  # the guard speaks, its source does not
    HUNG = "hung"  # the guard itself does not speak
    GONE = "gone"


def likely_in_words(causes: list[LikelyCause], when: str = "") -> list[str]:
    """Return ways to tell ranked causes in one sentence, the fullest first; none without any.

    What speaks for the likeliest goes before the less likely do, and whole pieces only.

    Args:
        causes: Likeliest first.
        when: What to say at the end of when that was.
    """
    if not causes:
        return []
    parts = [f"{plain(one.label, 60)} {100.0 * one.likelihood:z.0f} %" for one in causes[:3]]
    why = [plain(text, 120) for text in causes[0].evidence]
    named = f"Likely {', '.join(parts)}"
    said = [f"{named}: {'; '.join(why[:n])}{when}." for n in range(min(len(why), 2), 0, -1)]
    return said + [f"Likely {', '.join(parts[:n])}{when}." for n in range(len(parts), 0, -1)]


class Picture:
    """Keeps the newest state told by one guard.

    Attributes:
        hello: The guard's greeting; None before it.
        frame: The newest frame; None before the first.
        trace: Trace rows.
        events: Events.
        notice: Newest notice and when it came; None before the first. One without a topic is the
            screen's own answer to a key.
        causes: The likeliest causes of the trouble there is now, ranked.
        ranked: Data time and list of the newest ranking of causes; kept when its trouble is over.
        bye: The guard's goodbye; None before it.
        gone_why: Why the guard is gone; None while it isn't.
    """

    def __init__(self, now_s: float) -> None:
        self.hello: Hello | None = None
        self.frame: Frame | None = None
        self.trace = Trace([])
        self.events = KnownEvents()
        self.notice: tuple[Notice, float] | None = None
        self.causes: list[LikelyCause] = []
        self.ranked: tuple[float, list[LikelyCause]] = (float("-inf"), [])
        self.bye: Bye | None = None
        self.gone_why: str | None = None
        self._frame_s = now_s
        self._sample_s = now_s
        self._counts: deque[tuple[float, float]] = deque()
        self._spacing = Spacing()
        self._last_rise: dict[str, tuple[float, float]] = {}

    def take(self, message: Message, now_s: float) -> None:
        """Take one message that came at ``now_s`` (steady clock, s)."""
        match message:
            case Hello():
                self._greet(message, now_s)
            case Frame():
                self._frame(message, now_s)
            case EventTurn():
                self.events.put(message.event)
            case CauseLine():
                self.causes = message.causes
                self.ranked = (message.time_s, message.causes)
            case AlarmTurn():
                pass  # the event tells it; the list of alarms comes with every frame
            case Operation():
                self.notice = (Notice(message.who, done_in_words(message)), now_s)
            case Notice():
                self.notice = (message, now_s)
            case Terms():
                self._take_terms(message, now_s)
            case Answer():
                self.notice = (Notice(message.do, message.text), now_s)
            case Bye():
                self.bye = message
                self.gone(plain(end_in_words(message.end, message.why)))

    def gone(self, why: str) -> None:
        """Note that the guard is gone; the first reason given stays."""
        if self.gone_why is None:
            self.gone_why = why

    @property
    def ended(self) -> bool:
        """Whether the guard ended since its source did, as every log does: nothing went wrong."""
        return self.bye is not None and self.bye.end is Ending.SOURCE_ENDED

    @property
    def simulated(self) -> bool:
        """Whether the source is the simulated car, the only one that obeys what is decided."""
        return self.hello is not None and self.hello.source_kind is SourceKind.SIMULATED

    @property
    def session(self) -> str | None:
        """Folder of the recording; None where nothing is recorded, or before the greeting."""
        if self.frame is not None and self.frame.recording is not None:
            return self.frame.recording.session
        return None if self.hello is None else self.hello.session

    @property
    def recorder_fault(self) -> str | None:
        """Why rows are not recorded now; None while they are, or nothing is known."""
        recording = None if self.frame is None else self.frame.recording
        return None if recording is None or recording.fault is None else plain(recording.fault, 120)

    @property
    def alarms(self) -> list[StandingAlarm]:
        """The alarms that stand, as the newest frame tells them."""
        return [] if self.frame is None else self.frame.alarms

    @property
    def armed(self) -> bool:
        """Whether outputs are driven."""
        return self.frame is not None and any(one.armed for one in self.frame.outputs)

    @property
    def outputs_in_doubt(self) -> bool:
        """Whether an armed output is not held, or can't be driven."""
        return self.frame is not None and outputs_in_doubt(self.frame.outputs)

    @property
    def unpublished(self) -> str | None:
        """Why what is published reaches nobody; None while it does, or nothing is published."""
        told = [] if self.frame is None else self.frame.publishing
        return next((plain(one.fault, 120) for one in told if one.fault is not None), None)

    @property
    def what_ended(self) -> str:
        """What is over once ``ended``."""
        return "the simulated drive is over" if self.simulated else "the log is over"

    def link(self, now_s: float) -> Link:
        """Return how things stand with the guard."""
        if self.gone_why is not None:
            return Link.GONE
        if self.frame is None:
            return (
                Link.WAITING
                if self.hello is None or self.sample_age_s(now_s) <= 1.0
                else (Link.HUNG)
            )
        if now_s - self._frame_s > SILENT_S:
            return Link.HUNG
        silent = self.sample_age_s(now_s) > self.silent_after_s
        return Link.SILENT if silent else Link.LIVE

    @property
    def silent_after_s(self) -> float:
        """Age of the newest sample from which on the source counts as silent, s."""
        return self._spacing.silent_after_s

    def sample_age_s(self, now_s: float) -> float:
        """Return the time since the newest sample was heard of, s."""
        return max(0.0, now_s - self._sample_s)

    def silence_s(self, now_s: float) -> float:
        """Return the time since the guard last spoke, s."""
        return max(0.0, now_s - self._frame_s)

    def samples_a_second(self, now_s: float) -> float:
        """Return the rate at which samples came over the last two seconds; NaN where unknown."""
        if len(self._counts) < 2 or self.link(now_s) not in {Link.LIVE, Link.SILENT}:
            return float("nan")
        if self._spacing.usual_s > SLOW_S:
            return self._spacing.rate  # a count over two seconds would flicker between 0 and 1
        (t0, n0), (t1, n1) = self._counts[0], self._counts[-1]
        return (n1 - n0) / (t1 - t0) if t1 - t0 >= 0.2 else float("nan")

    @property
    def decision(self) -> DecisionHead:
        """The newest decision; all of it unknown before the first."""
        return self.frame.decision if self.frame else _UNDECIDED

    @property
    def action(self) -> int:
        """The newest action's number, 0 to 3; -1 where unknown."""
        value = self.decision.action
        return int(value) if value in {0.0, 1.0, 2.0, 3.0} else -1

    @property
    def statistics(self) -> Statistics:
        """The newest statistics; all of them unknown before the first."""
        newest = self.bye or self.frame
        return _UNCOUNTED if newest is None else newest.statistics

    def health(self, channel: str) -> str:
        """Return a channel's health in words: "not mapped" where the rig has no such channel."""
        if self.frame is None:
            return "no data"
        return plain(self.frame.health.get(channel, "not mapped"), 24)

    def value(self, channel: str) -> float:
        """Return a channel's value, NaN unless the channel is healthy now."""
        if self.health(channel) != "healthy":
            return float("nan")
        return self.trace.newest(_VALUE_COLUMNS.get(channel, f"value_{channel}"))

    def rose_lately(self, name: str, now_s: float) -> bool:
        """Return whether a count has risen within the last ten seconds of our watch."""
        return name in self._last_rise and now_s - self._last_rise[name][1] <= LATELY_S

    def unhealthy(self) -> list[tuple[str, str]]:
        """Return the channels that are not healthy, with their health in words."""
        health = self.frame.health if self.frame else {}
        return [(plain(n, 40), plain(h, 24)) for n, h in health.items() if h != "healthy"]

    def _greet(self, hello: Hello, now_s: float) -> None:
        self.hello = hello
        self._sample_s = self._frame_s = now_s
        self.trace = Trace([plain(name, 60) for name in hello.trace])
        self.trace.add(hello.history)
        for event in hello.events:
            self.events.put(event)

    def _take_terms(self, terms: Terms, now_s: float) -> None:
        self.notice = (Notice("thresholds changed", terms.words), now_s)
        if self.hello is not None:
            self.hello = structs.replace(
                self.hello,
                rig=terms.rig,
                thresholds=terms.thresholds,
                limits=terms.limits,
                scale=terms.scale,
                dry_limit_kpa=terms.dry_limit_kpa,
                onset_kpa=terms.onset_kpa,
            )

    def _frame(self, frame: Frame, now_s: float) -> None:
        self.frame = frame
        self.causes = frame.causes  # so whoever joins late has them too
        if frame.causes and not self.ranked[1]:  # the same: not heard when they were ranked
            self.ranked = (float("inf"), frame.causes)
        self._frame_s = now_s
        ill = tuple(
            _VALUE_COLUMNS.get(name, f"value_{name}")
            for name, health in frame.health.items()
            if health != "healthy"
        )
        self.trace.add(frame.rows, unknown=ill)
        counts = frame.statistics
        for counted, found in (
            ("rejected", counts.refused),
            ("late", counts.late),
            ("dropped", counts.dropped),
            ("lost", counts.lost),
        ):
            before, rose_s = self._last_rise.get(counted, (found or 0, float("-inf")))
            self._last_rise[counted] = (found or 0, now_s if (found or 0) > before else rose_s)
        # The guard decides on silence too, so its own count of decisions is no sign of a sample.
        count = counts.decided if counts.decoded is None else counts.decoded
        if count is None:
            return
        if not self._counts or count != self._counts[-1][1]:
            self._sample_s = now_s
            self._spacing.heard(now_s, count)
        self._counts.append((now_s, count))
        while now_s - self._counts[0][0] > RATE_OVER_S:
            self._counts.popleft()
