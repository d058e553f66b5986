"""The recorder as a listener: every row, what was reported, and how the recording itself stands."""

import asyncio

import msgspec

from monitor.attach import protocol
from monitor.attach.listeners import Listener, ListenerFacts, RunningGuard
from monitor.attach.protocol import Recording
from monitor.clock import now_s
from monitor.recorder.layout import rig_hash
from monitor.recorder.recorder import Recorder
from monitor.recorder.span import counted
from rules.channels import Sample
from rules.step.state import Decision
from simulator.rig import RigFile

LEARNED_S = 10.0  # between two looks at what was learned
RATES_TOPIC = "rates"  # how the alarm rates stand can be reckoned again, and isn't recorded


class RecordingListener(Listener):
    """Records a guard's session; reports where recording stops, goes on, or goes on elsewhere.

    Args:
        recorder: Where everything is recorded.
    """

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self._reported = self._now()
        self._named = self._reported.session  # the folder last reported as recorded in
        self._guard: RunningGuard | None = None
        self._rig_sha256 = ""
        self._learned_due_s = 0.0

    def _now(self) -> Recording:
        path, fault = self._recorder.standing
        return Recording(str(path), fault)

    def opened(self, guard: RunningGuard) -> None:
        """Report where the recording is."""
        self._guard = guard
        self._recorder.snapshot = guard.state
        guard.report(protocol.Notice("recording", f"in {self._recorder.path}"))

    def decided(self, row: Sample, decision: Decision) -> None:
        """Record a row; only appends."""
        self._recorder.put(row, decision)

    def handle(self, message: protocol.Message) -> None:
        """Note what was reported, under its kind."""
        note = self._recorder.note
        if isinstance(message, protocol.EventTurn):
            note("event", turn=message.turn, event=message.event)
        elif isinstance(message, protocol.Notice):
            if message.topic != RATES_TOPIC:
                note("notice", topic=message.topic, text=message.text)
        elif isinstance(message, protocol.AlarmTurn):
            note("alarm", **msgspec.structs.asdict(message))
        elif isinstance(message, protocol.Operation):
            note("operator", **msgspec.structs.asdict(message))
        elif isinstance(message, protocol.CauseLine):
            note("causes", **msgspec.structs.asdict(message))
        elif isinstance(message, protocol.Terms):
            facts = {"time_s": message.time_s, "changes": message.changes}
            note("thresholds", **facts, rig_sha256=self._rig_sha256)

    def note(self, kind: str, facts: dict[str, object]) -> None:
        """Note what is only for the record."""
        self._recorder.note(kind, **facts)

    def tick(self) -> None:
        """Report what became of the recording."""
        if self._guard is None:
            return
        if now_s() >= self._learned_due_s:
            self._learned_due_s = now_s() + LEARNED_S
            self._recorder.learned = self._guard.learned()
        now = self._now()
        if now == self._reported:
            return
        self._reported = now
        text = now.in_words
        if now.fault is None:
            new = "" if now.session == self._named else f", since {self._named} is gone"
            self._named = now.session
            lost = f"{counted(self._recorder.dropped, 'row')} not recorded"
            text = f"in {now.session} {f'from here on{new}' if new else 'again'}; {lost}"
        self._guard.report(protocol.Notice("recording", text))

    def change(self, rig_file: RigFile) -> None:
        """Record by another rig from the next row on."""
        self._recorder.change(rig_file)
        self._rig_sha256 = rig_hash(rig_file.text)

    def enter(self, facts: ListenerFacts) -> None:
        """Enter the folder, whether it is recorded in, and how many rows are."""
        facts.recording = self._now()
        facts.counts.recorded = self._recorder.rows
        facts.counts.not_recorded = self._recorder.dropped
        facts.counts.recorder_waiting = self._recorder.waiting

    async def close(self, bye: protocol.Bye) -> None:
        """Finish the recording."""
        if self._guard is not None:
            self._recorder.learned = self._guard.learned()
        why = protocol.end_in_words(bye.end, bye.why)
        statistics = msgspec.structs.replace(bye.statistics, alarm_rates=None)
        end = {"end": bye.end.value, "why": why, "statistics": statistics}
        await asyncio.to_thread(self._recorder.close, **end)
