"""Line mode and JSON lines: what the dashboard shows, for pipes, logs and screen readers."""

import json
from collections.abc import Callable
from typing import Any, Final

import msgspec

from monitor.attach.drilling import DrillMessage
from monitor.attach.protocol import (
    AlarmTurn,
    Answer,
    Bye,
    CauseLine,
    EventTurn,
    Frame,
    GuardMessage,
    Hello,
    Message,
    Notice,
    Operation,
    Terms,
    end_in_words,
    outputs_in_words,
)
from monitor.words.alarms import operation_in_words, turn_in_words
from monitor.words.counts import latency_in_words, reasons_in_words
from monitor.words.events import event_in_words
from monitor.words.literal import or_nan, or_unknown
from monitor.words.readings import readings_in_words
from monitor.words.units import METRIC, Units
from rules.alarms.alarm import Mover
from rules.channels import label_of_channel
from simulator.strict import clean

STATUS_EVERY_S: Final = 1.0
READINGS_EVERY_S: Final = 10.0
LONGEST: Final = 400


class LineTalk:
    """Turns a guard's messages into lines of text, or into JSON lines.

    Args:
        write: Takes one line, without its end.
        as_json: JSON lines instead of text.
        now_s: Steady time, for the pace of status lines.
        units: Of figures in text; JSON stays metric, as its names say.
    """

    def __init__(
        self,
        write: Callable[[str], None],
        *,
        as_json: bool,
        now_s: Callable[[], float],
        units: Units = METRIC,
    ) -> None:
        self._write = write
        self._as_json = as_json
        self._now_s = now_s
        self._units = units
        self._status_due_s = 0.0
        self._hello: Hello | None = None
        self._readings_s = float("nan")  # when they were said last
        self._decoded = float("nan")  # and how many samples there were then
        self.ended: Bye | None = None

    def handle(self, message: Message) -> None:
        """Take one message; write what it comes to. What only a drill says has its own screen."""
        if isinstance(message, DrillMessage):
            return
        in_text = not self._as_json
        if isinstance(message, Bye):
            self.ended = message
        if isinstance(message, Hello):
            self._hello = message
        if isinstance(message, Frame):
            if self._now_s() < self._status_due_s:
                return
            self._status_due_s = self._now_s() + STATUS_EVERY_S
        if isinstance(message, AlarmTurn) and message.moved_by is Mover.CONDITION and in_text:
            return  # the event says the same in better words
        if self._as_json:
            self._write(json.dumps(_facts(message), allow_nan=False))
            return
        self._report(in_words(message))
        if isinstance(message, Frame):
            self._report_readings(message)

    def _report(self, words: str) -> None:
        self._write(clean(self._units.sentence(words), LONGEST))

    def _report_readings(self, frame: Frame) -> None:
        """Say every ten seconds what a status line has no room for, from the first ten on."""
        now_s, decoded = self._now_s(), or_nan(frame.statistics.decoded)
        span_s = now_s - self._readings_s
        if span_s < READINGS_EVERY_S or self._hello is None:
            return
        if span_s == span_s:
            rate_hz = (decoded - self._decoded) / span_s
            self._report(f"{'':>12}{readings_in_words(self._hello, frame, rate_hz)}")
        self._readings_s, self._decoded = now_s, decoded


def _facts(message: Message) -> dict[str, Any]:
    facts: dict[str, Any] = msgspec.to_builtins(message)
    if isinstance(message, Frame):
        facts["newest"] = facts.pop("rows")[-1:] or None
    if isinstance(message, Hello):
        facts.pop("history")
    return facts


def in_words(message: GuardMessage) -> str:
    """Return a message as one line for people."""
    if isinstance(message, Hello):
        recording = "not recorded" if message.session is None else f"recorded in {message.session}"
        return (
            f"{message.rig}, {message.source}, {recording}; warns at evidence "
            f"{message.thresholds.warn_nats:z.1f}, pulls timing at "
            f"{message.thresholds.pull_nats:z.1f}, cuts boost at a debt of "
            f"{message.thresholds.cut_s:z.2f} s of full flow; advises only, {_driven(message)}"
        )
    if isinstance(message, Frame):
        return _status_in_words(message)
    if isinstance(message, EventTurn):
        return event_in_words(message.event).line(message.turn)
    if isinstance(message, CauseLine):
        likely = ", ".join(f"{c.label} {100 * c.likelihood:z.0f} %" for c in message.causes)
        why = "; ".join(message.causes[0].evidence[:3])
        return f"{message.time_s:z9.2f} s  likely: {likely} ({why})"
    if isinstance(message, AlarmTurn):
        return f"{message.time_s:z9.2f} s  {turn_in_words(message)}"
    if isinstance(message, Operation):
        return f"{message.time_s:z9.2f} s  {operation_in_words(message)}"
    if isinstance(message, Notice):
        return f"{'':>12}{message.topic}: {message.text}"
    if isinstance(message, Terms):
        return f"{message.time_s:z9.2f} s  thresholds changed: {message.words}"
    if isinstance(message, Answer):
        return f"{'':>12}{message.do}: {'' if message.done else 'refused, '}{message.text}"
    return _end_in_words(message)


def _end_in_words(bye: Bye) -> str:
    counts = bye.statistics
    reasons = reasons_in_words(counts.rejected)
    why = f" ({reasons})" if reasons else ""
    missing = f"{counts.not_recorded} NOT recorded, " if counts.not_recorded else ""
    lost = f"{counts.lost} lost on the way, " if counts.lost else ""
    soon = f"; latency {latency_in_words(counts.latency)}" if counts.received else ""
    return (
        f"ended: {end_in_words(bye.end, bye.why)}; {counts.received or 0} received, "
        f"{counts.decided or 0} decided, {counts.recorded or 0} recorded, {missing}"
        f"{counts.refused or 0} rejected{why}, {lost}{counts.late or 0} late, "
        f"{counts.dropped or 0} dropped, at most {counts.most_waiting or 0} waiting{soon}"
    )


def _driven(hello: Hello) -> str:
    if not hello.outputs:
        return "no output is driven"
    named = ", ".join(output.output for output in hello.outputs)
    if not hello.outputs[0].armed:
        return f"no output is driven (dry run: {named})"
    return f"OUTPUT ARMED: {named}"


def _status_in_words(frame: Frame) -> str:
    decision = frame.decision
    parts = [f"{or_unknown(decision.time_s, 2):>9} s  {frame.status}"]
    parts.append(f"boost {or_unknown(decision.boost_kpa, 0)} kPa")
    if "delivered_ml_min" in frame.health:
        parts.append(
            f"flow now {or_unknown(decision.delivered_ml_min, 0)} of "
            f"{or_unknown(decision.expected_ml_min, 0)} mL/min"
        )
    else:
        parts.append(f"{or_unknown(decision.commanded_ml_min, 0)} mL/min due, flow not measured")
    parts.append(f"evidence {or_unknown(decision.evidence, 1)}")
    parts.append(f"debt {or_unknown(decision.debt_s, 2)} s")
    if frame.outputs:
        parts.append(outputs_in_words(frame.outputs))
    ill = [
        f"{label_of_channel(name)} {word}"
        for name, word in frame.health.items()
        if word != "healthy"
    ]
    parts += [f"NOT PUBLISHED to {o.broker}: {o.fault}" for o in frame.publishing if o.fault]
    if frame.recording is not None and frame.recording.fault is not None:
        parts.append(f"recording {frame.recording.in_words}")
    return " | ".join(parts + ill)
