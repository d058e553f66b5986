"""The facts that messages hold: head of a decision, event, alarm, cause, output, counts.

Each is checked once, where a message comes in. ``None`` stands for what is not known, or not
finite.
"""

from dataclasses import fields
from typing import Annotated, Final, Self

import msgspec

from monitor.source_facts import SourceStatistics
from rules.alarms.alarm import ON_THE_LIST, AlarmState, Priority
from rules.channels import DELIVERED
from rules.events import Event
from rules.facts import Action, ActionWord, Rig
from rules.findings import Severity, label_of
from rules.intervals import Intervals
from rules.step.from_rig import witness_column
from rules.step.state import Decision

SILENCED: Final = frozenset(
    {AlarmState.SHELVED, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE}
)
_PRIORITIES: Final = tuple(Priority)
# What the rules say of the flow sensor alone.
_OF_FLOW: Final = (
    *("excess_ml", "surplus", "gain", "noise", "noise_lasts_s", "holds_s", "flow_step_ml_min"),
    *("learned_s", "rig_doubt"),
)
_OF_SOURCE: Final = tuple(field.name for field in fields(SourceStatistics))
UNSEEN: Final = frozenset(
    {
        AlarmState.UNACKNOWLEDGED,
        AlarmState.RETURNED_UNACKNOWLEDGED,
        AlarmState.LATCHED_UNACKNOWLEDGED,
    }
)


AlarmName = Annotated[str, msgspec.Meta(max_length=128)]
Count = Annotated[int, msgspec.Meta(ge=0, le=10**18)]
Share = Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]


class Thresholds(msgspec.Struct, frozen=True):
    """Evidence at which to warn and to pull timing, nats; debt that cuts boost, s of full flow."""

    warn_nats: float
    pull_nats: float
    cut_s: float


class Scale(msgspec.Struct, frozen=True):
    """Tops of axes, and the share by which a healthy line's pressure may be off what is due."""

    flow_ml_min: float
    boost_kpa: float
    line_kpa: float = 0.0
    line_within: float = 0.0


class RigChange(msgspec.Struct, frozen=True):
    """A key of the rig file that was changed, and its text before and after."""

    key: str
    before: str
    after: str


class DecisionHead(msgspec.Struct, frozen=True):
    """The leading fields of a ``Decision``, which says what they are."""

    time_s: float | None = None
    action: float | None = None
    finding: float | None = None
    retard_deg: float | None = None
    boost_ceiling_kpa: float | None = None
    debt_ml: float | None = None
    debt_s: float | None = None
    peak_debt_ml: float | None = None
    short_s: float | None = None
    commanded_ml_min: float | None = None
    expected_ml_min: float | None = None
    least_ml_min: float | None = None
    most_ml_min: float | None = None
    delivered_ml_min: float | None = None
    boost_kpa: float | None = None
    missing_share: float | None = None
    paid_deg: float | None = None
    all_healthy: float | None = None
    changed: float | None = None
    late: float | None = None
    excess_ml: float | None = None
    tank_s: float | None = None
    cooling_k: float | None = None
    evidence: float | None = None
    line_evidence: float | None = None
    line_due_kpa: float | None = None
    surplus: float | None = None
    gain: float | None = None
    noise: float | None = None
    noise_lasts_s: float | None = None
    holds_s: float | None = None
    flow_step_ml_min: float | None = None
    learned_s: float | None = None
    rig_doubt: float | None = None
    clock_s: float | None = None
    clock_pace: float | None = None
    duty_boost_kpa: float | None = None
    refused_column: float | None = None
    refused: float | None = None
    charge_evidence: float | None = None
    charge_due_c: float | None = None
    charge_short_s: float | None = None
    charge_wrong: float | None = None

    @classmethod
    def of(cls, rig: Rig, decision: Decision) -> Self:
        """Return a decision's; what is learned of a flow sensor only where there is one."""
        found = {name: getattr(decision, name) for name in cls.__struct_fields__}
        if witness_column(rig) != DELIVERED:
            found |= dict.fromkeys(_OF_FLOW)
        known = {name: x for name, x in found.items() if x is not None and -1e300 < x < 1e300}
        return cls(**known)


class IntervalFacts(msgspec.Struct, frozen=True):
    """How soon an action came, as ``Intervals`` has it; FDTI and so on are ISO 26262-1's names."""

    fdti_s: float
    frti_s: float
    fhti_s: float
    ftti_s: float
    in_time: bool
    margin: float

    @classmethod
    def of(cls, found: Intervals) -> Self:
        """Return those of an action."""
        return cls(
            found.detection_s,
            found.reaction_s,
            found.handling_s,
            found.tolerant_s,
            found.in_time,
            found.margin,
        )


class StepFacts(msgspec.Struct, frozen=True):
    """One rise of a finding's level, as ``rules.events.Step`` has it."""

    time_s: float
    action: ActionWord
    retard_deg: float
    fhti_s: float


class EventFacts(msgspec.Struct, frozen=True):
    """An event as it stands now; ``rules.events.Event`` says what its fields are.

    ``fault_intervals`` is None where nothing is known of them.
    """

    time_s: float
    finding: str
    action: ActionWord
    retard_deg: float
    boost_ceiling_kpa: float | None
    debt_ml: float
    explanation: str
    action_time_s: float
    clock_s: float
    until_s: float | None
    lasted_s: float | None
    fault_intervals: IntervalFacts | None
    severity: Severity
    check_first: str
    steps: list[StepFacts]

    @property
    def level(self) -> Action:
        """The worst action it led to."""
        return Action.named(self.action)

    @classmethod
    def of(cls, event: Event) -> Self:
        """Return how an event stands."""
        return cls(
            time_s=event.time_s,
            finding=event.finding,
            action=event.action.word,
            retard_deg=event.retard_deg,
            boost_ceiling_kpa=event.boost_ceiling_kpa,
            debt_ml=event.debt_ml,
            explanation=event.explanation,
            action_time_s=event.action_time_s,
            clock_s=event.clock_s,
            until_s=event.until_s,
            lasted_s=event.lasted_s,
            fault_intervals=IntervalFacts.of(event.intervals),
            severity=event.what.severity,
            check_first=event.check_first,
            steps=[StepFacts(*step) for step in event.steps],
        )


class StandingAlarm(msgspec.Struct, frozen=True):
    """An alarm that is not normal.

    Attributes:
        name: As commands take it.
        state: Where it is in its life.
        priority: How urgent it is.
        since_s: Data time of its last move, s; None where it never moved.
        shelf_left_s: What is left of its shelf, s; 0 where it is not shelved.
        first_out: First alarm since the list was last empty.
    """

    name: AlarmName = msgspec.field(name="alarm")
    state: AlarmState
    priority: Priority
    since_s: float | None
    shelf_left_s: float
    first_out: bool

    @property
    def label(self) -> str:
        """Its name as people read it."""
        return label_of(self.name)

    @property
    def level(self) -> int:
        """The number of the action its priority stands for, 1 to 3."""
        return _PRIORITIES.index(self.priority) + 1

    @property
    def listed(self) -> bool:
        """Whether it asks for somebody."""
        return self.state in ON_THE_LIST

    @property
    def unseen(self) -> bool:
        """Whether nobody has acknowledged it."""
        return self.state in UNSEEN

    @property
    def silenced(self) -> bool:
        """Whether it is kept from ringing: shelved, suppressed by design or out of service."""
        return self.state in SILENCED


class LikelyCause(msgspec.Struct, frozen=True):
    """A cause that may be behind the trouble.

    Attributes:
        cause: Its name.
        label: In the trade's words.
        likelihood: 0 to 1.
        evidence: What speaks for it, strongest first; may be empty.
        check_first: What to look at.
        cannot_tell: From which other causes it can't be told, one sentence each.
    """

    cause: str
    label: str
    likelihood: Share
    evidence: list[str]
    check_first: str
    cannot_tell: list[str]


class OutputState(msgspec.Struct, frozen=True):
    """How an output stands.

    Attributes:
        output: Its name.
        armed: Whether it is driven.
        held: Whether it is held, or would be.
        why: Why it is, or isn't.
        fault: Why it can't be driven; empty where it can.
    """

    output: str
    armed: bool
    held: bool
    why: str
    fault: str


class Latency(msgspec.Struct, frozen=True):
    """How long decisions took, from readable to handed over: how many, and quantiles in ms."""

    count: Count
    p50_ms: float
    p99_ms: float
    p999_ms: float
    max_ms: float


class Statistics(msgspec.Struct, omit_defaults=True, kw_only=True):
    """Counts of everything since the guard started. None, and left out: not known, or not counted.

    Attributes:
        received: This and what follows, to ``most_waiting``: as in ``SourceStatistics``.
        decided: Decisions, ticks for silence included.
        late: Rows not used: older than what was decided on.
        latency: How long deciding took.
        recorded: Rows recorded.
        not_recorded: Rows that could not be.
        recorder_waiting: Rows not written yet.
        viewers: How many are attached.
        viewer_drops: Messages dropped since a viewer didn't read.
        viewers_refused: Viewers turned away.
        not_published: Messages the publisher dropped, for its own health message.
        alarm_rates: In a goodbye, how the alarm rates stand.
    """

    received: Count | None = None
    decoded: Count | None = None
    headers: Count | None = None
    rejected: dict[str, Count] | None = None
    dropped: Count | None = None
    connects: Count | None = None
    lost: Count | None = None
    clock: dict[str, Count] | None = None
    drift_ppm: float | None
    no_numbers: Count | None = None
    noted: dict[str, Count] | None = None
    waiting: Count | None = None
    most_waiting: Count | None = None
    decided: Count | None = None
    late: Count | None = None
    latency: Latency | None = None
    recorded: Count | None = None
    not_recorded: Count | None = None
    recorder_waiting: Count | None = None
    viewers: Count | None = None
    viewer_drops: Count | None = None
    viewers_refused: Count | None = None
    not_published: Count | None = None
    alarm_rates: list[str] | None = None

    @property
    def refused(self) -> int | None:
        """Lines not used, for whatever reason."""
        return None if self.rejected is None else sum(self.rejected.values())

    def take(self, source: SourceStatistics) -> None:
        """Take over what has come in from a source, as it stands now."""
        for name in _OF_SOURCE:
            setattr(self, name, getattr(source, name))
        # Copies: a source's thread goes on counting.
        self.rejected, self.clock = dict(source.rejected), dict(source.clock)
        self.noted = dict(+source.noted) or None
        self.no_numbers = source.no_numbers or None
