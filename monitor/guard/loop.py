"""The guard's loop: source -> align -> rules -> record + tell, one sample at a time."""

import asyncio
import contextlib
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from typing import Any, Final

from monitor.attach import protocol
from monitor.attach.endpoint import Endpoint
from monitor.attach.listeners import Hearer
from monitor.attach.server import ViewerServer
from monitor.attach.terms import new_terms, shown
from monitor.clock import now_ns, now_s
from monitor.guard.alarm_desk import COMMANDS, AlarmDesk, name_of, operation
from monitor.guard.cause_desk import CauseDesk
from monitor.guard.clock_pace import ClockWatch
from monitor.guard.latency import LatencyHistogram
from monitor.guard.reload import Reloader
from monitor.recorder.layout import rig_hash
from monitor.recorder.writer import Recorder
from monitor.sources.align import Aligner
from monitor.sources.base import Arrival, Source
from rules.channels import NOT_SENT, OPERATOR_ACKNOWLEDGE, Sample, tick
from rules.events import Event, EventTracker, Turn
from rules.explain import status
from rules.guard import Guard
from rules.step.state import Decision
from simulator.rig import Change, RigFile
from simulator.strict import clean

HISTORY_ROWS: Final = 3000
HISTORY_EVENTS: Final = 50
SILENCE_CHECK_S: Final = 0.05
UNATTENDED_S: Final = 30.0

Tell = Callable[[protocol.Message], None]


class GuardLoop:
    """Runs one source through one guard until it ends or is told to stop.

    Args:
        rig_file: The rig to decide with.
        source: Where samples come from; not yet opened.
        recorder: Where everything is recorded; None for nowhere.
        endpoint: Where viewers attach; None for nowhere.
        tell: Hears every event, notice and the goodbye, on the loop (must not wait).
        unattended_ends: End some time after the last viewer left (a demonstration).
        hearers: Outputs and publishers; they hear everything and never make the guard wait.

    Attributes:
        latency: Readable to decided-and-handed-over, of every reading.
    """

    def __init__(
        self,
        rig_file: RigFile,
        source: Source,
        recorder: Recorder | None = None,
        endpoint: Endpoint | None = None,
        tell: Tell | None = None,
        *,
        unattended_ends: bool = False,
        hearers: Sequence[Hearer] = (),
    ) -> None:
        self._rig_file = rig_file
        self._rig = rig_file.rig
        self._source = source
        self._recorder = recorder
        self._tell = tell
        self._unattended_ends = unattended_ends
        self._guard = Guard(self._rig)
        if recorder is not None:
            recorder.snapshot = self._guard.state
        self._decision: Decision = self._guard.decision()
        self._tracker = EventTracker(self._rig)
        self._causes = CauseDesk(self._rig)
        self._alarms = AlarmDesk(self._rig.command.start_boost_kpa)
        self._aligner = Aligner()
        self._clock = ClockWatch()
        self._reading_at_s = now_s()
        self._stop = asyncio.Event()
        self._end, self._why = protocol.Ending.SOURCE_ENDED, protocol.SOURCE_ENDED
        self._decided = 0
        self._late = 0
        self.latency = LatencyHistogram()
        self._events: deque[Event] = deque(maxlen=HISTORY_EVENTS)
        self._history: deque[tuple[float, ...]] = deque(maxlen=HISTORY_ROWS)
        self._fresh: list[tuple[float, ...]] = []
        self._hearers = tuple(hearers)
        self._reloader = Reloader(lambda: self._rig_file, self._change)
        self._viewers = (
            None if endpoint is None else ViewerServer(endpoint, self._hello, self._obey)
        )

    def use_compiled(self) -> None:
        """Decide with compiled code from now on (before ``run``)."""
        self._guard.use_compiled()

    async def listen(self) -> Endpoint | None:
        """Let viewers attach from now on; return where."""
        return None if self._viewers is None else await self._viewers.start()

    async def first_viewer(self, patience_s: float) -> None:
        """Wait for the first viewer, so that it misses nothing; not longer than ``patience_s``."""
        if self._viewers is not None:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._viewers.first.wait(), patience_s)

    def stop(self, why: str) -> None:
        """End soon, cleanly. Also safe as a signal's handler on the loop."""
        if not self._stop.is_set():
            self._end, self._why = protocol.Ending.STOPPED, why
            self._stop.set()

    async def run(self, opened: Callable[[], Awaitable[None]] | None = None) -> None:
        """Read, decide, record and tell until the end; then finish the recording.

        Args:
            opened: Called once the source is open, before anything is read from it.

        Raises:
            BadInput: The source can't be opened, or can't be read on; what came before is kept.
        """
        helpers = [asyncio.create_task(self._frames())]
        try:
            async with self._source:
                if opened is not None:
                    await opened()
                if self._recorder is not None:
                    self._send(protocol.NoticeLine("recording", f"in {self._recorder.path}"))
                for hearer in self._hearers:
                    hearer.listen(lambda topic, text: self._send(protocol.NoticeLine(topic, text)))
                if self._source.kind.live:
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
            await self._reloader.close()
            await self._finish()

    # --- the decision path --------------------------------------------------------------------

    async def _pump(self) -> None:
        async for item in self._source:
            if isinstance(item, Arrival):
                newest_s = self._aligner.newest_s
                # What is recorded has no arrival; a simulated car is as fast as it is asked to be.
                if self._source.kind.live and self._clock.compare(item):
                    self._send(protocol.NoticeLine("clock", self._clock.words()))
                for row in self._aligner.admit(item.sample):
                    self._take(row)
                # Readings whose own clock stands still are silence as far as the rules can tell.
                if self._aligner.newest_s != newest_s:
                    self._reading_at_s = now_s()
                self._source.react(self._decision)
                self.latency.add(now_ns() - item.readable_ns)
            else:
                self._send(protocol.NoticeLine(item.kind, item.text))

    def _take(self, row: Sample) -> None:
        if self._clock.pace != NOT_SENT:
            row = row._replace(clock_pace=self._clock.pace)
        decision = self._guard.step(row)
        self._decision = decision
        self._decided += 1
        for hearer in self._hearers:
            hearer.decided(decision)
        if self._recorder is not None:
            self._recorder.put(row, decision)
        self._fresh.append(protocol.trace_row(decision))
        if decision.late:
            self._late += 1
        if decision.changed:
            for turn, event in self._tracker.feed(decision):
                self._report(turn, event)
        self._tell_alarms(self._alarms.hear(decision))
        self._causes.hear(decision)

    def _report(self, turn: Turn, event: Event) -> None:
        if turn is Turn.RAISED:
            self._events.append(event)
        message = protocol.EventTurn(turn.value, event.as_json(), event.what.check_first)
        if self._recorder is not None:
            self._recorder.note("event", turn=turn.value, event=message.event)
        self._deliver(message)

    async def _watch_silence(self) -> None:
        while True:
            await asyncio.sleep(SILENCE_CHECK_S)
            for row in self._aligner.silence(now_s() - self._reading_at_s):
                self._take(row)
            for hearer in self._hearers:
                hearer.alive()

    # --- telling ------------------------------------------------------------------------------

    def _send(self, notice: protocol.NoticeLine) -> None:
        if self._recorder is not None:
            self._recorder.note("notice", topic=notice.topic, text=notice.text)
        self._deliver(notice)

    def _deliver(self, message: protocol.Message) -> None:
        if self._viewers is not None:
            self._viewers.send(message)
        if self._tell is not None:
            self._tell(message)
        for hearer in self._hearers:
            hearer.told(message)

    async def _frames(self) -> None:
        alone_since_s = now_s()
        recording = self.recording
        while True:
            await asyncio.sleep(protocol.FRAME_S)
            rows, self._fresh = self._fresh, []
            self._history.extend(rows)
            self._tell_causes()
            for hearer in self._hearers:
                hearer.tick(self.statistics)
            viewers = self._viewers
            if viewers is not None and viewers.attached:
                alone_since_s = now_s()
                viewers.send(self._frame(rows))
            elif self._unattended_ends and now_s() - alone_since_s > UNATTENDED_S:
                self.stop("nobody is watching")
            recording = self._tell_recording(recording)

    def _tell_recording(self, before: protocol.Recording | None) -> protocol.Recording | None:
        """Tell of a recording that stopped, goes on, or goes on elsewhere; return how it stands."""
        now = self.recording
        if self._recorder is None or now is None or before is None or now == before:
            return now
        text = now.in_words
        if now.fault is None:
            new = "" if now.session == before.session else f", since {before.session} is gone"
            lost = f"{self._recorder.dropped} rows not recorded"
            text = f"in {now.session} {f'from here on{new}' if new else 'again'}; {lost}"
        self._send(protocol.NoticeLine("recording", text))
        return now

    @property
    def recording(self) -> protocol.Recording | None:
        """How the recording stands; None where nothing is recorded."""
        recorder = self._recorder
        return None if recorder is None else protocol.Recording(str(recorder.path), recorder.fault)

    def _frame(self, rows: list[tuple[float, ...]]) -> protocol.Frame:
        every = -(-len(rows) // protocol.MOST_ROWS_A_FRAME) or 1
        return protocol.Frame(
            status=status(self._rig, self._decision),
            decision=protocol.head_of(self._decision),
            health=protocol.health_of(self._rig, self._decision),
            statistics=self.statistics(),
            rows=[list(row) for row in rows[::every]],
            alarms=self._alarms.standing(),
            sounding=self._alarms.sounding,
            causes=self._causes.ranked,
            outputs=[output for hearer in self._hearers for output in hearer.shown()],
            recording=self.recording,
            publishing=[one for hearer in self._hearers for one in hearer.publishing()],
        )

    def _hello(self) -> protocol.Hello:
        every = max(1, len(self._history) // 1500)
        return protocol.Hello(
            protocol=protocol.PROTOCOL,
            pid=0 if self._viewers is None else self._viewers.endpoint.pid,
            source=self._source.name,
            source_kind=self._source.kind,
            session=None if self._recorder is None else str(self._recorder.path),
            channels=[terms.name for terms in self._rig.channels],
            trace=list(protocol.TRACE),
            history=[list(row) for row in list(self._history)[::every]],
            events=[event.as_json() for event in self._events],
            outputs=[output for hearer in self._hearers for output in hearer.shown()],
            **shown(self._rig),
        )

    def _obey(self, command: protocol.Command, answer: Tell) -> None:
        if command.do in ("stop", "reload") and self._recorder is not None:
            facts = {"time_s": self._decision.time_s, "who": name_of(command), "do": command.do}
            self._recorder.note("operator", **facts)
        if command.do == "stop":
            self.stop(f"stopped by {name_of(command) if command.who else 'a viewer'}")
            return
        if command.do == "reload":
            self._reloader.ask(command.rig, answer)
            return
        if command.do == "rates":
            for words in self._alarms.rates(self._decision.time_s):
                self._deliver(protocol.NoticeLine("rates", words))
            return
        if command.do not in COMMANDS:
            answer(protocol.Answer(clean(command.do), False, "found no such command"))
            return
        if self._aligner.newest_s is None:
            answer(protocol.Answer(command.do, False, "found no reading yet, expected one first"))
            return
        time_s = self._decision.time_s
        moved, refused = self._alarms.obey(command, time_s)
        done = operation(command, time_s, refused)
        if self._recorder is not None:
            self._recorder.note("operator", **_facts(done))
        self._deliver(done)
        self._tell_alarms(moved)
        if self._alarms.gives_release(command, refused):
            # A hand on the button is a row like any other, so that a replay sees it too.
            self._take(tick(self._aligner.newest_s, OPERATOR_ACKNOWLEDGE))

    def _change(self, rig_file: RigFile, changes: tuple[Change, ...]) -> None:
        """Put another rig in force: the next row is judged, and recorded, by it."""
        self._guard.change(rig_file.rig)
        self._rig_file, self._rig = rig_file, rig_file.rig
        self._tracker.change(self._rig)
        self._causes.change(self._rig)
        self._alarms.change(self._rig.command.start_boost_kpa)
        for hearer in self._hearers:
            hearer.change(self._rig)
        message = new_terms(self._decision.time_s, self._rig, changes)
        if self._recorder is not None:
            self._recorder.change(rig_file)
            sha256 = rig_hash(rig_file.text)
            facts = {"time_s": message.time_s, "changes": message.changes, "rig_sha256": sha256}
            self._recorder.note("thresholds", **facts)
        self._deliver(message)

    def _tell_causes(self) -> None:
        if self._causes.work():
            line = protocol.CauseLine(self._decision.time_s, self._causes.ranked)
            if self._recorder is not None:
                self._recorder.note("causes", time_s=line.time_s, causes=line.causes)
            self._deliver(line)

    def _tell_alarms(self, moved: list[protocol.AlarmTurn]) -> None:
        for turn in moved:
            if self._recorder is not None:
                self._recorder.note("alarm", **_facts(turn))
            self._deliver(turn)

    def statistics(self) -> dict[str, Any]:
        """Return counts of everything, as plain JSON types."""
        facts: dict[str, Any] = {
            **self._source.statistics.as_json(),
            "decided": self._decided,
            "late": self._late,
            "latency": self.latency.as_json(),
        }
        if self._recorder is not None:
            facts["recorded"] = self._recorder.rows
            facts["not_recorded"] = self._recorder.dropped
            facts["recorder_waiting"] = self._recorder.waiting
        if self._viewers is not None:
            facts["viewers"] = self._viewers.attached
            facts["viewer_drops"] = self._viewers.dropped
            facts["viewers_refused"] = self._viewers.refused
        return facts

    async def _finish(self) -> None:
        for hearer in self._hearers:
            hearer.close(protocol.end_in_words(self._end, self._why))
        self._tracker.finish(self._decision)
        self._tell_causes()
        if self._recorder is not None:
            for event in self._tracker.open_events:
                self._recorder.note("event", turn="open at the end", event=event.as_json())
            loop = asyncio.get_running_loop()
            await loop.run_in_executor(None, lambda: self._recorder_close())
        rates = self._alarms.rates(self._decision.time_s)
        bye = protocol.Bye(self._end, self._why, {**self.statistics(), "alarm_rates": rates})
        if self._viewers is not None:
            await self._viewers.close(bye)
        if self._tell is not None:
            self._tell(bye)

    def _recorder_close(self) -> None:
        if self._recorder is not None:
            why = protocol.end_in_words(self._end, self._why)
            end = self._end.value
            self._recorder.close(end=end, why=why, statistics=self.statistics())


def _facts(message: protocol.AlarmTurn | protocol.Operation) -> dict[str, Any]:
    return {name: getattr(message, name) for name in message.__struct_fields__}
