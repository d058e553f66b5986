"""How a running guard stands, as one JSON line or as lines for people."""

import json
from collections.abc import Iterator

import msgspec

from monitor.attach.protocol import Frame, Hello, outputs_in_doubt, outputs_in_words
from monitor.words import counts
from monitor.words.literal import or_unknown
from rules.channels import label_of_channel
from simulator.strict import clean

LONGEST = 200


def as_json_line(hello: Hello, frame: Frame) -> str:
    """Return everything in one JSON object."""
    facts = {
        "pid": hello.pid,
        "rig": hello.rig,
        "source": hello.source,
        "source_kind": hello.source_kind.value,
        "session": hello.session if frame.recording is None else frame.recording.session,
        "thresholds": hello.thresholds,
        "limits": hello.limits,
        "dry_limit_kpa": hello.dry_limit_kpa,
        "status": frame.status,
        "decision": frame.decision,
        "health": frame.health,
        "alarms": frame.alarms,
        "sounding": frame.sounding,
        "causes": frame.causes,
        "outputs": frame.outputs,
        "publishing": frame.publishing,
        "recording": frame.recording,
        "statistics": frame.statistics,
    }
    return json.dumps(msgspec.to_builtins(facts), allow_nan=False)


def in_words(hello: Hello, frame: Frame) -> Iterator[str]:
    """Yield lines for people."""
    yield clean(f"guard {hello.pid}: {hello.rig}, {hello.source}", LONGEST)
    yield f"  {clean(frame.status, LONGEST)}"
    for trouble in _troubles(frame):
        yield f"! {clean(trouble, LONGEST)}"
    at, now = hello.thresholds, frame.decision
    evidence, debt_s = or_unknown(now.evidence, 1), or_unknown(now.debt_s, 2)
    yield (
        f"  evidence {evidence} (warn {at.warn_nats:z.1f}, pull {at.pull_nats:z.1f}); debt "
        f"{debt_s} s of full flow (cut {at.cut_s:z.2f} s)"
    )
    recording = frame.recording
    kept = "not recorded" if recording is None else f"{recording.in_words} in {recording.session}"
    yield f"  {clean(kept, LONGEST)}"
    yield from _outputs(frame)
    for one in frame.publishing:
        if one.fault is None:
            yield f"  published to {clean(one.broker, LONGEST)}"
    yield f"  {clean(_health(frame.health), LONGEST)}"
    if frame.alarms:
        names = ", ".join(f"{alarm.label} ({alarm.state})" for alarm in frame.alarms)
        yield f"  alarms: {clean(names, LONGEST)}"
    for line in counts.lines(frame.statistics):
        yield clean(f"  {'!' if line.odd else ' '} {line.name:<10} {line.words}", LONGEST)


def _troubles(frame: Frame) -> Iterator[str]:
    """Yield what whoever relies on outputs, broker or recording must know first."""
    if outputs_in_doubt(frame.outputs):
        yield outputs_in_words(frame.outputs)
    for one in frame.publishing:
        if one.fault is not None:
            yield f"NOT PUBLISHED to {one.broker}: {one.fault}"
    if frame.recording is not None and frame.recording.fault is not None:
        yield f"NOT RECORDED: {frame.recording.fault}"


def _health(health: dict[str, str]) -> str:
    words = set(health.values())
    if len(words) <= 1:
        return f"every channel {words.pop()}" if words else "no channel is mapped"
    return ", ".join(
        f"{label_of_channel(name)} {word}" for name, word in health.items() if word != "healthy"
    )


def _outputs(frame: Frame) -> Iterator[str]:
    """Yield how each output stands: armed or not, held or not, why, and what is wrong with it."""
    if not frame.outputs:
        yield "  no output is driven"
    for output in frame.outputs:
        held = "held" if output.held else "released"
        stands = f"ARMED, {held}" if output.armed else f"dry run, would be {held}"
        words = f"output {output.output}: {stands} ({output.why})"
        fault = f"; FAULT: {output.fault}" if output.fault else ""
        yield f"  {clean(words + fault, LONGEST)}"
