"""What a class of drills and its viewers say to each other, beside what any guard says.

Whoever attaches to a class is told nothing, and asks for a place: ``join`` gives a trainee's,
which is like any guard (``Hello``, ``Frame``...) and also tells ``Brief``, ``DrillState`` and, when
the drive is over, ``Debriefing``; ``instruct`` gives the instructor's, which tells ``ClassState``.
Nothing a trainee is sent before ``Debriefing`` tells the fault. Times are of the drive, s. A drive
that begins anew, or is rewound, greets its viewers anew.
"""

from enum import Enum
from typing import Final

import msgspec

from rules.facts import ActionWord
from simulator.drill.words import Act, Failsafe

LONGEST_TEXT: Final = 200
MOST_TRACE_POINTS: Final = 1500
MOST_RIDES: Final = 16


class Phase(Enum):
    """How far a drive is."""

    WAITING = "waiting"
    """Nobody has begun it."""
    DRIVING = "driving"
    PAUSED = "paused"
    OVER = "over"


class Choice(msgspec.Struct, frozen=True):
    """What can be chosen: its word in commands, and what it means in words."""

    word: str
    words: str


class Note(msgspec.Struct, frozen=True):
    """What the instructor noted, and when."""

    time_s: float
    text: str


class Mark(msgspec.Struct, frozen=True):
    """A moment to which a drive can be rewound."""

    name: str
    time_s: float


class Place(msgspec.Struct, tag_field="kind", tag="place"):
    """Where whoever asked for a place attaches: as an ``Endpoint`` has it.

    Attributes:
        do: ``join`` or ``instruct``.
        alias: The trainee's; empty for the instructor.
        path: Of its AF_UNIX socket; empty where it is a loopback TCP port.
        port: That port, or 0.
        token: What to say first there.
    """

    do: str
    alias: str
    path: str
    port: int
    token: str


class Brief(msgspec.Struct, tag_field="kind", tag="brief"):
    """What a trainee is told before the drive. Follows each ``Hello`` of a ride.

    Attributes:
        title: The lesson's.
        text: What the trainee is told.
        alias: The trainee's.
        calls: The short list: the same in every lesson of the car.
        acts: What can be done: hold, pull_timing, cut_boost, lift.
        failsafe: What it does in this lesson.
        late_by_s: By how much later, where it is late.
        shows: What isn't held back: ``causes``, ``advice``, ``events``, ``evidence``.
        lesson_number: This lesson's number in the course, from 1; 0 where it is none of it.
        lessons: How many the course has.
        duration_s: How long the drive lasts.
        may_begin: Whether this trainee may begin, end and go on to the next; else an instructor.
    """

    title: str
    text: str
    alias: str
    calls: list[Choice]
    acts: list[Choice]
    failsafe: Failsafe
    late_by_s: float
    shows: list[str]
    lesson_number: int
    lessons: int
    duration_s: float
    may_begin: bool


class DrillState(msgspec.Struct, tag_field="kind", tag="drill"):
    """How a trainee's drive stands; sent whenever that changes, and once a second.

    Attributes:
        time_s: Time of the drive.
        phase: How far it is.
        call: The word of the fault called last, which counts; None before.
        called_s: When.
        act: What is done now.
        acted_s: When that was chosen; None before.
    """

    time_s: float
    phase: Phase
    call: str | None = None
    called_s: float | None = None
    act: Act = Act.HOLD
    acted_s: float | None = None


class Sign(msgspec.Struct, frozen=True):
    """A reading that differs from what it would be without the fault.

    Attributes:
        time_s: When it first differs by more than its noise.
        channel: Its channel.
        label: In words.
        words: How far off, in words.
    """

    time_s: float
    channel: str
    label: str
    words: str


class Did(msgspec.Struct, frozen=True):
    """What the trainee did: ``call``, ``act`` or ``acknowledge``, which, when; in words too."""

    time_s: float
    do: str
    what: str
    words: str


class Outcome(msgspec.Struct, frozen=True):
    """What a drive cost.

    Attributes:
        who: ``driven``, ``guard``, ``nobody`` or ``no_fault``.
        words: The same for people.
        harm: Cumulative knock intensity.
        heavy_knocks: Cycles that hurt.
        work_kj: Work at the crank.
    """

    who: str
    words: str
    harm: float
    heavy_knocks: int
    work_kj: float


class Part(msgspec.Struct, frozen=True):
    """A part of the score: points got, the most there are, and why."""

    name: str
    points: float
    most: float
    words: str


class TracePoints(msgspec.Struct, frozen=True):
    """A reading over the drive, at the times of ``Debriefing.time_s``.

    Attributes:
        channel: Its channel.
        label: In words.
        unit: Of its values.
        values: As driven.
        healthy: As they would be without the fault; empty where that is the same.
    """

    channel: str
    label: str
    unit: str
    values: list[float | None]
    healthy: list[float | None]


class Debriefing(msgspec.Struct, tag_field="kind", tag="debriefing"):
    """The truth of a drive, to its trainee, once it is over. None: it never came to that.

    Attributes:
        alias: The trainee's.
        title: The lesson's.
        truth: What was wrong, in words.
        called: What the trainee called, in words; empty: nothing.
        right_call: What would have been right, in words.
        verdict: ``right``, ``half``, ``wrong`` or ``none``.
        onset_s: When the fault began.
        signs: Readings that told it, the first first.
        guard_warn_s: When the guard warned,
        guard_pull_s: pulled timing
        guard_cut_s: and cut boost (or would have, where the failsafe was off).
        guard_said: Why it did the worst of these; empty where it did none.
        guard_cause: What it took for the likeliest cause; empty where for none.
        did: What the trainee did.
        outcomes: As driven, by the guard alone, by nobody, and without the fault.
        goal: What is to be learned.
        text: What there is to say of this drive.
        check_first: What to look at on the car.
        score: 0 to 100.
        parts: Of which it is the sum.
        formula: How it is reckoned, one line.
        time_s: Times of the traces.
        traces: At most ``MOST_TRACE_POINTS`` points each.
        harm: Knock harm so far, at the times of the traces, by ``Outcome.who``.
        notes: What the instructor noted.
        files: Pictures and pages written, by path.
    """

    alias: str
    title: str
    truth: str
    called: str
    right_call: str
    verdict: str
    onset_s: float | None
    signs: list[Sign]
    guard_warn_s: float | None
    guard_pull_s: float | None
    guard_cut_s: float | None
    guard_said: str
    guard_cause: str
    did: list[Did]
    outcomes: list[Outcome]
    goal: str
    text: str
    check_first: list[str]
    score: float
    parts: list[Part]
    formula: str
    time_s: list[float]
    traces: list[TracePoints]
    harm: dict[str, list[float]]
    notes: list[Note] = []
    files: list[str] = []


class FaultState(msgspec.Struct, frozen=True):
    """A fault of the class's drive: as commands number it, and how it stands.

    Attributes:
        number: As ``escalate`` and ``clear`` take it.
        words: What it is.
        begins_s: When it began; None: not yet.
        amount: How much of it is asked for, as ``inject`` takes it.
        active: Whether it acts now.
        cleared: Whether it was cleared before it began, and never will.
    """

    number: int
    words: str
    begins_s: float | None
    amount: float
    active: bool
    cleared: bool = False


class RideState(msgspec.Struct, frozen=True):
    """A trainee, as the instructor sees one.

    Attributes:
        alias: The trainee's.
        attached: Whether anybody watches.
        call: The word called last; None: nothing yet.
        called_s: When.
        act: What is done now.
        acted_s: When that was chosen.
        guard_action: What its guard asks for.
        harm: Cumulative knock intensity so far.
        score: Once the drive is over.
    """

    alias: str
    attached: bool
    call: str | None
    called_s: float | None
    act: Act
    acted_s: float | None
    guard_action: ActionWord
    harm: float
    score: float | None = None


class ClassState(msgspec.Struct, tag_field="kind", tag="class"):
    """The class as its instructor sees it, truth included; 5 times a second. Never to a trainee.

    Attributes:
        time_s: Time of the drive.
        duration_s: How long the drive lasts.
        phase: How far it is.
        title: The lesson's.
        truth: What is wrong, in words: the lesson's, until the instructor changes it.
        lesson_number: As in ``Brief``.
        lessons: As in ``Brief``.
        speed: Of the drive, times real.
        faults: The faults there are, the lesson's and injected ones.
        kinds: Faults that can be injected.
        channels: Channels whose sensor may be given a fault.
        marks: Moments to rewind to; ``start`` is always there.
        rides: The trainees.
        calls: Words and meaning of calls.
        notes: Noted so far.
        results: File to which results are appended; empty: none.
    """

    time_s: float
    duration_s: float
    phase: Phase
    title: str
    truth: str
    lesson_number: int
    lessons: int
    speed: float
    faults: list[FaultState]
    kinds: list[Choice]
    channels: list[str]
    marks: list[Mark]
    rides: list[RideState]
    calls: list[Choice]
    notes: list[Note]
    results: str = ""


DrillMessage = Place | Brief | DrillState | Debriefing | ClassState
