"""What guard and viewers say to each other: JSON lines over a local socket.

The guard sends, in this order: ``hello`` once, then ``frame`` (at most 20 a second), ``event``,
``alarm``, ``operator`` and ``notice`` as they come, and ``bye`` at its end. A viewer first sends
its token, then commands; some are answered, to that viewer alone. Numbers that are not finite
travel as null. What a viewer does follows from fields; text is for people, and nothing is read out
of it again.
"""

from enum import Enum
from typing import Annotated, Final

import msgspec

from monitor.attach.drilling import LONGEST_TEXT, DrillMessage
from monitor.attach.message_parts import (
    DecisionHead,
    EventFacts,
    LikelyCause,
    OutputState,
    RigChange,
    Scale,
    StandingAlarm,
    Statistics,
    Thresholds,
)
from monitor.source_facts import SourceKind
from rules.alarms.alarm import AlarmState, Mover, Priority
from rules.channels import CHANNEL_NAMES, WITNESSES
from rules.events import Turn
from rules.facts import Rig
from rules.step import state as st
from rules.step.state import Decision

PROTOCOL: Final = 1
LONGEST_LINE: Final = 4 << 20
LONGEST_PATH: Final = 4096
LONGEST_WORD: Final = 64
MOST_ALARMS: Final = 64
FRAME_S: Final = 0.05
MOST_ROWS_A_FRAME: Final = 64
SOURCE_ENDED: Final = "source ended"

# Columns of a trace row, all taken from the decision.
TRACE: Final = (
    "time_s",
    "action",
    "retard_deg",
    "debt_s",
    "evidence",
    "commanded_ml_min",
    "expected_ml_min",
    "least_ml_min",
    "most_ml_min",
    "delivered_ml_min",
    "boost_kpa",
    "value_injector_duty_pct",
    "value_intake_c",
    "value_knock",
    "value_timing_deg",
    "value_engine_speed_rpm",
    "value_tank_ml",
    "value_line_kpa",
    "value_supply_v",
    "line_due_kpa",
    "charge_due_c",
)
TRACE_AT: Final = tuple(Decision.names().index(name) for name in TRACE)


class Ending(Enum):
    """Why a guard ended."""

    SOURCE_ENDED = "source_ended"
    """Its source did, as every log does: nothing went wrong."""
    STOPPED = "stopped"
    """It was told to: by a viewer, a command, a signal, or since nobody watched a demonstration."""
    FAILED = "failed"
    """It could not go on."""


class Recording(msgspec.Struct, frozen=True):
    """How the recording stands.

    Attributes:
        session: The folder recorded in now, or last.
        fault: Why rows are not recorded now, in a few words; None while they are.
    """

    session: str
    fault: str | None = None

    @property
    def in_words(self) -> str:
        """How it stands: ``recording``, or ``stopped`` and why."""
        return "recording" if self.fault is None else f"stopped: {self.fault}"


class Publishing(msgspec.Struct, frozen=True):
    """How publishing to a broker stands.

    Attributes:
        broker: Where to, by name.
        fault: Why nobody hears it now, in a few words; None while all is well.
    """

    broker: str
    fault: str | None = None


class Hello(msgspec.Struct, tag_field="kind", tag="hello"):
    """First message of the guard.

    Attributes:
        rig: Rig's name.
        source: What is being read, by name.
        source_kind: Whether that is an engine that runs now, a simulated one, or the past.
        session: Folder of the recording, None where nothing is recorded.
        limits: Limit by channel, in the channel's unit, where there is one.
        dry_limit_kpa: Boost the engine holds without spray.
        onset_kpa: Boost above which spray matters.
        channels: Channels the rig maps.
        witness: The one of them that tells whether spray arrives.
        trace: Names of the trace's columns.
        history: Trace rows from before this viewer came, oldest first.
        events: Events so far (the newest 50), oldest first.
        outputs: As in a frame.
        restored: What was restored of an earlier session, or why nothing was, in words; empty
            where that wasn't asked for.
    """

    protocol: int
    pid: int
    rig: str
    source: str
    source_kind: SourceKind
    session: str | None
    thresholds: Thresholds
    limits: dict[str, float]
    scale: Scale
    dry_limit_kpa: float
    onset_kpa: float
    channels: list[str]
    trace: list[str]
    history: list[list[float | None]]
    events: list[EventFacts]
    outputs: list[OutputState] = []
    restored: str = ""
    witness: str = CHANNEL_NAMES[WITNESSES[0] - 1]


class Frame(msgspec.Struct, tag_field="kind", tag="frame"):
    """What is so now, and the trace rows since the last frame.

    Attributes:
        status: One line: what is being done to the engine, and why.
        decision: The newest decision's leading fields.
        health: Health of each mapped channel, in words.
        statistics: Counts since the guard started.
        alarms: The alarms that are not normal, first-out first.
        sounding: Whether the bell should ring.
        causes: The likeliest causes of the trouble in the spray system, where there is any.
        outputs: How every output stands.
        recording: How the recording stands; None where nothing is recorded.
        publishing: How publishing stands, by broker.
    """

    status: str
    decision: DecisionHead
    health: dict[str, str]
    statistics: Statistics
    rows: list[list[float | None]]
    alarms: Annotated[list[StandingAlarm], msgspec.Meta(max_length=MOST_ALARMS)] = []
    sounding: bool = False
    causes: list[LikelyCause] = []
    outputs: list[OutputState] = []
    recording: Recording | None = None
    publishing: list[Publishing] = []


class AlarmTurn(msgspec.Struct, tag_field="kind", tag="alarm"):
    """An alarm moved from one state of ISA-18.2 / IEC 62682 to another (names of the states).

    ``moved_by`` is the condition, the operator (then ``who`` names one) or an expiry.
    """

    time_s: float
    alarm: str
    before: AlarmState
    after: AlarmState
    priority: Priority
    moved_by: Mover
    who: str
    first_out: bool


class EventTurn(msgspec.Struct, tag_field="kind", tag="event"):
    """An event was raised, worsened or cleared (``turn``), and how it stands now."""

    turn: Turn
    event: EventFacts
    check_first: str


class CauseLine(msgspec.Struct, tag_field="kind", tag="causes"):
    """What is likely behind the trouble, half a second into it: the likeliest causes, ranked."""

    time_s: float
    causes: list[LikelyCause]


class Operation(msgspec.Struct, tag_field="kind", tag="operator"):
    """Somebody did something about the alarms; told to every viewer, and recorded.

    Attributes:
        time_s: Data time at which it was done, s.
        who: Who, as they called themselves; printable, at most 40 characters.
        do: What, as in a command.
        alarm: Which alarm; empty is all.
        for_s: How long a shelf lasts, s, as granted; 0 elsewhere.
        refused: What was refused and why, one line each; empty where all was done.
    """

    time_s: float
    who: str
    do: str
    alarm: str = ""
    for_s: float = 0.0
    refused: list[str] = []


class Notice(msgspec.Struct, tag_field="kind", tag="notice"):
    """News, and a line about it. ``topic`` is one word.

    A source's: ``connected``, ``lost``, ``header``, ``unusable`` (much comes, none of it can be
    used), ``clock`` (what the device's own clock did), ``sequence`` (readings lost on the way),
    ``hint`` (values from before, not used), ``thresholds`` (a recording was decided by others).
    """

    topic: str
    text: str


class Terms(msgspec.Struct, tag_field="kind", tag="thresholds"):
    """The rig was changed while the guard ran; the rest as in ``Hello``, from now on.

    Attributes:
        time_s: Time of the last sample judged by the old one.
        changes: What differs.
        words: The same in one line.
    """

    time_s: float
    changes: list[RigChange]
    words: str
    rig: str
    thresholds: Thresholds
    limits: dict[str, float]
    scale: Scale
    dry_limit_kpa: float
    onset_kpa: float


class Answer(msgspec.Struct, tag_field="kind", tag="answer"):
    """What came of a command, for whoever gave it: done or refused, and a line that says so."""

    do: str
    done: bool
    text: str


class Bye(msgspec.Struct, tag_field="kind", tag="bye"):
    """The guard ends: why, also in words (a failure's are its error), and its last statistics."""

    end: Ending
    why: str
    statistics: Statistics


GuardMessage = (
    Hello | Frame | EventTurn | AlarmTurn | CauseLine | Operation | Notice | Terms | Answer | Bye
)
Message = GuardMessage | DrillMessage
Word = Annotated[str, msgspec.Meta(max_length=LONGEST_WORD)]


COMMAND_LINE: Final = "flowdebt stop"


def end_in_words(end: Ending, why: str) -> str:
    """Return why a guard ended, as one line for people."""
    return f"failed: {why}" if end is Ending.FAILED else why


class Command(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """What a viewer may say.

    Attributes:
        do: ``attach`` (with the token), ``stop``, or an alarm's command: ``acknowledge``,
            ``reset``, ``shelve``, ``unshelve``, ``take_out_of_service``, ``return_to_service``;
            or ``rates``: how the alarm rates stand, as notices; or ``reload``: read the rig again.
            To a class of drills: ``join`` (``who`` is the alias) and ``instruct``. To a ride:
            ``begin``, ``call``, ``act``, ``end_drill``, ``next``; to its class, by the
            instructor: ``begin``, ``pause``, ``go_on``, ``inject``, ``escalate``, ``clear``,
            ``mark``, ``rewind``, ``note``, ``end_drill``, ``next``.
        token: With ``attach``.
        alarm: The alarm's name; empty is all, for ``acknowledge`` and ``reset``.
        for_s: With ``shelve``: how long, s; capped.
        rig: With ``reload``: another rig file or shipped name; empty is the file it came from.
        who: Who says it, in their own word; recorded, proves nothing. Empty is ``operator``, and
            ``COMMAND_LINE`` is ``flowdebt stop``.
        what: With ``call`` and ``act``: the choice's word; with ``inject``: the fault's; with
            ``mark`` and ``rewind``: the mark's name; with ``next``: a lesson's name, or empty.
        number: With ``escalate`` and ``clear``: the fault's.
        amount: With ``inject`` and ``escalate``: how much of it, as a scenario's ``magnitude``.
        ramp_s: With ``inject`` and ``escalate``: time until it is so much, s.
        channel: With ``inject``: the sensor's, for a fault of one; empty is the flow sensor.
        text: With ``note``.
    """

    do: Word
    token: Word = ""
    alarm: Word = ""
    for_s: float = 0.0
    rig: Annotated[str, msgspec.Meta(max_length=LONGEST_PATH)] = ""
    who: Word = ""
    what: Word = ""
    number: Annotated[int, msgspec.Meta(ge=0, le=999)] = 0
    amount: float = 1.0
    ramp_s: float = 0.0
    channel: Word = ""
    text: Annotated[str, msgspec.Meta(max_length=LONGEST_TEXT)] = ""


_encoder = msgspec.json.Encoder()
_decoder: msgspec.json.Decoder[Message] = msgspec.json.Decoder(Message)
_command_decoder = msgspec.json.Decoder(Command)


def encode(message: Message | Command) -> bytes:
    """Return a message as one line, with its end."""
    return _encoder.encode(message) + b"\n"


def decode(line: bytes) -> Message:
    """Return the message in a line.

    Raises:
        msgspec.MsgspecError: Not a message of this protocol.
    """
    return _decoder.decode(line)


def decode_command(line: bytes) -> Command:
    """Return the command in a line.

    Raises:
        msgspec.MsgspecError: Not a command.
    """
    return _command_decoder.decode(line)


def trace_row(decision: Decision) -> tuple[float, ...]:
    """Return a decision's trace row."""
    flat = decision.flat()
    return tuple([flat[i] for i in TRACE_AT])


def outputs_in_words(outputs: list[OutputState]) -> str:
    """Return how the outputs stand, in a few words; empty where there are none.

    The worst counts: one that is released, or can't be driven, is what one must know.
    """
    if not outputs:
        return ""
    if not outputs[0].armed:
        held = "held" if all(output.held for output in outputs) else "released"
        return f"output dry run, would be {held}"
    if any(output.fault for output in outputs):
        return "OUTPUT ARMED, FAULT"
    return f"OUTPUT ARMED, {'held' if all(o.held for o in outputs) else 'RELEASED'}"


def outputs_in_doubt(outputs: list[OutputState]) -> bool:
    """Return whether an armed output is not held, or can't be driven: whoever watches must know."""
    return any(o.armed and (o.fault or not o.held) for o in outputs)


def health_of(rig: Rig, decision: Decision) -> dict[str, str]:
    """Return the health of each mapped channel, in words."""
    mapped = {terms.name for terms in rig.channels}
    return {
        name: st.HEALTH_WORDS[int(decision.health[i])]
        for i, name in enumerate(CHANNEL_NAMES, start=1)
        if name in mapped
    }
