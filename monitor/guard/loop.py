"""The guard's loop: a source is read, aligned and decided on, and everybody who listens is told.

source -> compare its clock -> align -> decide -> tell the listeners -> say what there is to say
"""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Sequence
from typing import Any, Final

from monitor.attach import protocol
from monitor.attach.listeners import Listener, ListenerFacts
from monitor.attach.message_parts import EventFacts, Statistics
from monitor.attach.terms import new_terms
from monitor.clock import now_ns, now_s
from monitor.guard.clock_watch import ClockWatch
from monitor.guard.latency import LatencyHistogram
from monitor.guard.news import News
from monitor.recorder.restored import Restored
from monitor.sources.align import Aligner
from monitor.sources.base import Arrival, Source
from rules.channels import NOT_SENT, Sample
from rules.facts import Rig
from rules.guard import Guard
from rules.learned import Learned
from rules.step.state import Decision
from simulator.rig import Change, RigFile

SILENCE_CHECK_S: Final = 0.05


class GuardLoop:
    """Runs one source through one guard until it ends or is told to stop.

    Args:
        rig_file: The rig to decide with.
        source: Where samples come from; not yet opened.
        listeners: Who is told everything, in this order. Recordings come first: what is told of a
            row then stands behind it.

    Attributes:
        rig_file: The rig in force.
        source: The source.
        decision: The newest decision.
        news: What there is to say of decisions.
        listeners: Who is told; may be changed until it runs.
        restored: What the rules know of the car from another session; None where that wasn't
            asked for.
        latency: Readable to decided-and-handed-over, of every reading.
    """

    def __init__(
        self, rig_file: RigFile, source: Source, listeners: Sequence[Listener] = ()
    ) -> None:
        self.rig_file = rig_file
        self.source = source
        self.listeners = list(listeners)
        self._guard = Guard(rig_file.rig)
        self.restored: Restored | None = None
        self.decision: Decision = self._guard.decision()
        self.news = News(rig_file.rig)
        self._aligner = Aligner()
        self._clock = ClockWatch()
        self._stop = asyncio.Event()
        self._end, self._why = protocol.Ending.SOURCE_ENDED, protocol.SOURCE_ENDED
        self._decided = 0
        self._late = 0
        self.latency = LatencyHistogram()

    @property
    def rig(self) -> Rig:
        """The rig in force."""
        return self.rig_file.rig

    @property
    def newest_s(self) -> float | None:
        """Time of the newest row, s; None before the first."""
        return self._aligner.newest_s

    def use_compiled(self) -> None:
        """Decide with compiled code from now on (before ``run``)."""
        self._guard.use_compiled()

    def know(self, restored: Restored) -> None:
        """Know what another session learned of this car (before ``run``)."""
        self.restored = restored
        if restored.learned is not None:
            self._guard.know(restored.learned)

    def stop(self, why: str) -> None:
        """End soon, cleanly. Also safe as a signal's handler on the loop."""
        if not self._stop.is_set():
            self._end, self._why = protocol.Ending.STOPPED, why
            self._stop.set()

    async def run(self, opened: Callable[[], Awaitable[None]] | None = None) -> None:
        """Read, decide and tell until the end; then let every listener finish.

        Args:
            opened: Called once the source is open, before anything is read from it.

        Raises:
            BadInput: The source can't be opened, or can't be read on; what came before is kept.
        """
        helpers = [asyncio.create_task(self._tick())]
        try:
            async with self.source:
                if opened is not None:
                    await opened()
                for listener in self.listeners:
                    listener.opened(self)
                if self.restored is not None:
                    self.report(protocol.Notice("learned", self.restored.words))
                if self.source.kind.live:
                    helpers.append(asyncio.create_task(self._watch_silence()))
                pump = asyncio.create_task(self._pump())
                stopped = asyncio.create_task(self._stop.wait())
                done, _ = await asyncio.wait({pump, stopped}, return_when="FIRST_COMPLETED")
                stopped.cancel()
                if pump not in done:
                    pump.cancel()
                    with contextlib.suppress(asyncio.CancelledError):
                        await pump
                else:
                    pump.result()
        except Exception as error:
            self._end, self._why = protocol.Ending.FAILED, str(error)
            raise
        finally:
            for helper in helpers:
                helper.cancel()
            await asyncio.gather(*helpers, return_exceptions=True)
            await self._finish()

    # --- the decision path --------------------------------------------------------------------

    async def _pump(self) -> None:
        async for item in self.source:
            if isinstance(item, Arrival):
                # What is recorded has no arrival; a simulated car is as fast as it is asked to be.
                if self.source.kind.live and self._clock.compare(item):
                    self.report(protocol.Notice("clock", self._clock.words()))
                steady_s = now_s() if self.source.kind.live else None
                for row in self._aligner.admit(item.sample, steady_s):
                    self.decide(row)
                self.source.react(self.decision)
                self.latency.add(now_ns() - item.readable_ns)
            else:
                self.report(item)

    def decide(self, row: Sample) -> None:
        """Decide on a row, tell every listener, and say what there is to say."""
        if self._clock.pace != NOT_SENT:
            row = row._replace(clock_pace=self._clock.pace)
        decision = self.decision = self._guard.step(row)
        self._decided += 1
        if decision.late:
            self._late += 1
        for listener in self.listeners:
            listener.decided(row, decision)
        if messages := self.news.feed(decision):
            self.report(*messages)

    async def _watch_silence(self) -> None:
        while True:
            await asyncio.sleep(SILENCE_CHECK_S)
            for row in self._aligner.silence(now_s()):
                self.decide(row)
            for listener in self.listeners:
                listener.alive()

    # --- beside it ----------------------------------------------------------------------------

    def report(self, *messages: protocol.Message) -> None:
        """Tell every listener."""
        for message in messages:
            for listener in self.listeners:
                listener.handle(message)

    def note(self, kind: str, **facts: Any) -> None:
        """Tell every listener what is only for the record."""
        for listener in self.listeners:
            listener.note(kind, facts)

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(protocol.FRAME_S)
            self.report(*self.news.due(self.decision.time_s))
            for listener in self.listeners:
                listener.tick()

    def change(self, rig_file: RigFile, changes: tuple[Change, ...]) -> None:
        """Put another rig in force: the next row is judged, and recorded, by it.

        Raises:
            ValueError: The rules refuse it (see ``Guard.change``); nothing has changed.
        """
        self._guard.change(rig_file.rig)
        self.rig_file = rig_file
        self.news.change(rig_file.rig)
        for listener in self.listeners:
            listener.change(rig_file)
        self.report(new_terms(self.decision.time_s, rig_file.rig, changes))

    def state(self) -> list[float]:
        """Return what the rules remember."""
        return self._guard.state()

    def learned(self) -> Learned:
        """Return what the rules have learned of the car."""
        return self._guard.learned()

    def listener_facts(self) -> ListenerFacts:
        """Return how every listener stands."""
        facts = ListenerFacts()
        for listener in self.listeners:
            listener.enter(facts)
        return facts

    def statistics(self) -> Statistics:
        """Return counts of everything."""
        counts = self.listener_facts().counts
        counts.take(self.source.statistics)
        counts.decided, counts.late = self._decided, self._late
        counts.latency = self.latency.facts()
        return counts

    async def _finish(self) -> None:
        for listener in self.listeners:
            listener.ending(protocol.end_in_words(self._end, self._why))
        open_events = self.news.finish(self.decision)
        self.report(*self.news.due(self.decision.time_s))
        for event in open_events:
            self.note("event", turn="open at the end", event=EventFacts.of(event))
        for listener in self.listeners:
            await listener.close(self._goodbye())

    def _goodbye(self) -> protocol.Bye:
        statistics = self.statistics()
        statistics.alarm_rates = self.news.alarms.rates(self.decision.time_s)
        return protocol.Bye(self._end, self._why, statistics)
