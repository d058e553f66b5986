"""A ride: one trainee's simulated car and its guard, sample by sample, in the drive's own time.

What the guard asks of the engine and what the trainee asks are merged: the greater retard, the
lower ceiling; a lift overrides the driver. Nothing here knows a clock: the same steps, with the
same doings between them, give the same bits.
"""

from array import array
from dataclasses import dataclass
from math import inf, isfinite, isnan
from typing import Any, Final

from rules.channels import OPERATOR_ACKNOWLEDGE, ROW_WIDTH, Sample, tick
from rules.guard import Guard
from rules.step.arithmetic import interpolate, larger, round_up, smaller
from rules.step.constants import Constants
from rules.step.state import N_DECISION, Decision
from simulator.drill.words import Act as Act
from simulator.drill.words import Failsafe as Failsafe
from simulator.plant import Car, Fault, FaultKind, Report, Scenario
from simulator.plant.car import NO_CEILING_KPA, CarMoment
from simulator.plant.faults import NEVER_S
from simulator.plant.truth import TRUTH_NAMES

_CEILING: Final = TRUTH_NAMES.index("true_ceiling_kpa")
MOST_ADDED: Final = 32  # faults beside the scenario's


@dataclass(frozen=True, slots=True)
class Answer:
    """What a trainee did.

    Attributes:
        time_s: When, seconds since the drive began.
        kind: "call", "act" or "acknowledge".
        what: The word of the call, or an ``Act``'s ("": acknowledged).
    """

    time_s: float
    kind: str
    what: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """A fault of a ride, and where it stands now.

    Attributes:
        number: Its number in the ride.
        kind: What goes wrong.
        channel: The sensor's channel ("" where none was named).
        begins_s: Onset; infinite where it has not begun.
        ends_s: When it was gone; infinite where it is not.
        amount: In full.
        now: At this moment.
        cleared: Whether it was cleared before it began, and never will.
    """

    number: int
    kind: FaultKind
    channel: str
    begins_s: float
    ends_s: float
    amount: float
    now: float
    cleared: bool = False

    @property
    def acts(self) -> bool:
        """Whether it has begun and isn't gone."""
        return isfinite(self.begins_s) and not isfinite(self.ends_s)


@dataclass(frozen=True, slots=True)
class Doing:
    """What was done to a ride between two of its steps, beside calls: enough to do it again.

    Attributes:
        after: How many samples were done before it.
        what: An ``Act``'s word, "acknowledge", "inject", "escalate" or "clear".
        fault: What was injected.
        number: Which fault was escalated or cleared.
        magnitude: To which magnitude.
        ramp_s: Within which time.
    """

    after: int
    what: str
    fault: Fault | None = None
    number: int = 0
    magnitude: float = 0.0
    ramp_s: float = 0.0

    @property
    def by_trainee(self) -> bool:
        """Whether the trainee did it, or else an instructor."""
        return self.what == "acknowledge" or self.what in list(Act)


@dataclass(frozen=True, slots=True)
class RideFacts:
    """All that makes a ride what it is: who has it can drive it again.

    Attributes:
        scenario: Drive, faults and rig.
        seed: 0 or more.
        failsafe: What becomes of the guard's orders.
        late_by_s: How much later they reach the car, where they are late.
        samples: How many samples were driven.
        doings: What was done, in order.
    """

    scenario: Scenario
    seed: int
    failsafe: Failsafe
    late_by_s: float
    samples: int
    doings: tuple[Doing, ...]


@dataclass(frozen=True, slots=True)
class Record:
    """What a ride left behind.

    Attributes:
        rows: What the guard was given, ticks among it, (n, ROW_WIDTH).
        decisions: Its decision after each, (n, N_DECISION).
        came: With which sample each row came, (n,).
        truths: The truth by sample, (m, len(TRUTH_NAMES)).
        asked: Retard (degrees) and ceiling (kPa gauge) that the guard asked for after each sample,
            (m, 2).
    """

    rows: Any
    decisions: Any
    came: Any
    truths: Any
    asked: Any


@dataclass(frozen=True, slots=True)
class Moment:
    """A ride as it was at a moment, to go back to."""

    time_s: float
    car: CarMoment
    guard: list[float]
    act: Act
    acknowledged: bool
    faults: int
    answers: int
    doings: int
    lengths: tuple[int, ...]


class Ride:
    """One trainee's car on one drive.

    Args:
        scenario: The drive, its faults and the rig.
        seed: 0 or more: rides of the same seed have the same noise.
        failsafe: What becomes of the guard's orders.
        late_by_s: How much later they reach the car where they are late, >= 0.
        compiled: As for ``Car``; the bits are the same.
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int,
        *,
        failsafe: Failsafe = Failsafe.ON,
        late_by_s: float = 0.0,
        compiled: bool | None = None,
    ) -> None:
        self.scenario = scenario
        self.seed = seed
        self.failsafe = failsafe
        self.late_by_s = late_by_s if failsafe is Failsafe.LATE else 0.0
        self._late = round(self.late_by_s * scenario.rate_hz)
        self._car = Car(scenario.rig, scenario, seed, compiled=compiled, spare=MOST_ADDED)
        self._guard = Guard(scenario.rig)
        self._compiled = bool(compiled)
        if compiled:
            self._guard.use_compiled()
        self._faults = list(scenario.faults)
        self._answers: list[Answer] = []
        self._doings: list[Doing] = []
        self._act = Act.HOLD
        self._acknowledged = False
        self.decision: Decision = self._guard.decision()
        # By row, by row, by row, by sample, by sample: see ``Record``.
        self._kept = tuple(array("d") for _ in range(5))

    @property
    def finished(self) -> bool:
        """Whether the drive is over."""
        return self._car.finished

    @property
    def time_s(self) -> float:
        """Time since the drive began, seconds."""
        return float(self._car.state.time_s)

    @property
    def standing_act(self) -> Act:
        """What the trainee has the car do now."""
        return self._act

    @property
    def answers(self) -> tuple[Answer, ...]:
        """What the trainee did, in order."""
        return tuple(self._answers)

    @property
    def report(self) -> Report:
        """What the ride has cost so far."""
        return self._car.report

    @property
    def facts(self) -> RideFacts:
        """What it takes to drive this ride again as far as it has come."""
        return RideFacts(
            self.scenario,
            self.seed,
            self.failsafe,
            self.late_by_s,
            self._car.count,
            tuple(self._doings),
        )

    @property
    def spans(self) -> tuple[Standing, ...]:
        """Every fault, the scenario's first, and where it stands."""
        now_s = self.time_s
        found = []
        for number, fault in enumerate(self._faults):
            now = self._car.faults[number]
            begins_s = float(now.onset_s) if now.onset_s <= now_s else inf
            ends_s = begins_s + float(now.for_s) if now.for_s < NEVER_S else inf
            found.append(
                Standing(
                    number,
                    fault.kind,
                    fault.channel,
                    begins_s,
                    ends_s if ends_s <= now_s else inf,
                    float(now.amount),
                    float(now.now),
                    cleared=bool(begins_s == inf and now.at_s >= NEVER_S),
                )
            )
        return tuple(found)

    @property
    def record(self) -> Record:
        """What the ride has left behind so far, copied."""
        import numpy as np

        rows, decisions, came, truths, asked = (np.array(one) for one in self._kept)
        truths = truths.reshape(-1, len(TRUTH_NAMES))
        truths[truths[:, _CEILING] >= NO_CEILING_KPA, _CEILING] = inf
        return Record(
            rows.reshape(-1, ROW_WIDTH),
            decisions.reshape(-1, N_DECISION),
            came.astype(np.int64),
            truths,
            asked.reshape(-1, 2),
        )

    def step(self) -> list[tuple[Sample, Decision]]:
        """Drive on by one sample; return what came down the wire, and what the guard made of it.

        Raises:
            PlantLeftRange: The drive asks for what the simulated car can't do.
        """
        if self.finished:
            return []
        rows = self._car.step(*self._orders(), ticks=True)
        if self._acknowledged:
            rows.insert(0, tick(self.decision.time_s, OPERATOR_ACKNOWLEDGE))
            self._acknowledged = False
        kept_rows, kept_decisions, came, truths, asked = self._kept
        told = []
        for row in rows:
            self.decision = decision = self._guard.step(row)
            told.append((row, decision))
            kept_rows.extend(row)
            kept_decisions.extend(decision.flat())
            came.append(self._car.count - 1)
        truths.extend(self._car.truth())
        asked.extend((self.decision.retard_deg, self.decision.boost_ceiling_kpa))
        return told

    def drive(self, samples: int | None = None) -> None:
        """Drive on by so many samples, or to the end: as steps would, to the bit.

        Compiled that takes a twentieth of the time, where only the guard asks for anything, at
        once, and each sample comes as one row.

        Raises:
            PlantLeftRange: See ``step``.
        """
        last = self._car.samples if samples is None else self._car.count + samples
        while self._car.count < last and not self.finished:
            if self._at_once:
                self._drive_at_once(last - self._car.count)
            else:
                self.step()

    def act(self, what: Act) -> None:
        """Have the car do this from the next sample on."""
        self._answers.append(Answer(self.time_s, "act", what.value))
        self._do(Doing(self._car.count, what.value))

    def call(self, what: str) -> None:
        """Note that the trainee says what is wrong."""
        self._answers.append(Answer(self.time_s, "call", what))

    def acknowledge(self) -> None:
        """Acknowledge what the guard has latched."""
        self._answers.append(Answer(self.time_s, "acknowledge"))
        self._do(Doing(self._car.count, "acknowledge"))

    def inject(self, fault: Fault) -> int:
        """Add a fault, which begins once its conditions hold; return its number.

        Raises:
            ValueError: ``MOST_ADDED`` have been added already.
        """
        number = len(self._faults)
        self._do(Doing(self._car.count, "inject", fault=fault))
        return number

    def escalate(self, number: int, magnitude: float, ramp_s: float = 0.0) -> None:
        """Let a fault grow or shrink to a magnitude within a time.

        Raises:
            ValueError: There is no fault of this number.
        """
        self._there(number)
        self._do(Doing(self._car.count, "escalate", None, number, magnitude, ramp_s))

    def clear(self, number: int) -> None:
        """End a fault, or keep it from beginning; what it has done to the car stays done.

        Raises:
            ValueError: There is no fault of this number.
        """
        self._there(number)
        self._do(Doing(self._car.count, "clear", number=number))

    def do_again(self, doing: Doing) -> None:
        """Do what was done to another ride, whenever that was; an answer isn't noted."""
        self._do(doing)

    def mark(self) -> Moment:
        """Return this moment, to go back to."""
        return Moment(
            self.time_s,
            self._car.moment(),
            self._guard.state(),
            self._act,
            self._acknowledged,
            len(self._faults),
            len(self._answers),
            len(self._doings),
            tuple(map(len, self._kept)),
        )

    def rewind(self, moment: Moment) -> None:
        """Be as at a moment of this ride's, whose later answers, faults and record are gone."""
        self._car.go_back(moment.car)
        self._guard.restore(moment.guard)
        self.decision = self._guard.decision()
        self._act = moment.act
        self._acknowledged = moment.acknowledged
        del self._faults[moment.faults :]
        del self._answers[moment.answers :]
        del self._doings[moment.doings :]
        for kept, length in zip(self._kept, moment.lengths, strict=True):
            del kept[length:]

    def _there(self, number: int) -> None:
        if not 0 <= number < len(self._faults):
            raise ValueError(f"found fault {number}, expected one of {len(self._faults)}")

    def _do(self, doing: Doing) -> None:
        if doing.fault is not None:
            self._car.add(doing.fault)
            self._faults.append(doing.fault)
        elif doing.what == "escalate":
            self._car.escalate(doing.number, doing.magnitude, doing.ramp_s)
        elif doing.what == "clear":
            self._car.clear(doing.number)
        elif doing.what == "acknowledge":
            self._acknowledged = True
        else:
            self._act = Act(doing.what)
            self._car.state.lifted = 1.0 if self._act is Act.LIFT else 0.0
        self._doings.append(doing)

    @property
    def _at_once(self) -> bool:
        """Whether what comes next can be driven in one compiled loop."""
        return (
            self._compiled
            and self.failsafe is not Failsafe.LATE
            and self._act in (Act.HOLD, Act.LIFT)
            and not self._acknowledged
            and all(fault.kind < FaultKind.MESSAGES_LOST for fault in self._faults)
        )

    def _drive_at_once(self, most: int) -> None:
        """Drive on by ``most`` samples, or as far as there are draws."""
        import numpy as np

        from simulator.plant.compiled import drive_on

        car, guard = self._car, self._guard
        count = car.count
        first, end, parts = car.block()
        end = min(end, first + most)
        guarded = self.failsafe is Failsafe.ON
        constants, states = guard.arrays()
        flat = states.view(np.float64)
        rows = np.empty((end - first, ROW_WIDTH))
        truths = np.empty((end - first, len(TRUTH_NAMES)))
        decisions = np.empty((end - first, N_DECISION))
        drive_on(*parts, first, end, guarded, constants, states, flat, rows, truths, decisions)
        car.check()
        car.count += end - first
        if guarded:
            guard.restore(flat.tolist())
        else:
            decisions = guard.run_rows(rows)
        named = Decision.named(decisions)
        asked = np.stack((named["retard_deg"], named["boost_ceiling_kpa"]), axis=1)
        came = np.arange(count, car.count, dtype=np.float64)
        for kept, new in zip(self._kept, (rows, decisions, came, truths, asked), strict=True):
            kept.frombytes(new.tobytes())
        self.decision = guard.decision()

    def _orders(self) -> tuple[float, float]:
        """Return retard (degrees) and ceiling (kPa gauge) of guard and trainee together."""
        retard_deg, ceiling_kpa = 0.0, inf
        asked = self._kept[4]
        late = 2 * (self._late + 1)
        if self.failsafe is not Failsafe.OFF and len(asked) >= late:
            retard_deg, ceiling_kpa = asked[-late], asked[-late + 1]
        k = self._guard.constants
        if self._act in (Act.PULL_TIMING, Act.CUT_BOOST):
            retard_deg = larger(retard_deg, spray_pays_deg(k, self.decision))
        if self._act is Act.CUT_BOOST:
            ceiling_kpa = smaller(ceiling_kpa, k.dry_limit_kpa)
        return retard_deg, ceiling_kpa


def spray_pays_deg(k: Constants, decision: Decision) -> float:
    """Return the retard that takes back all that spray pays for at this boost, degrees.

    With the ladder's margin, in its steps and up to its most; at a boost that isn't known, for the
    top of the table.
    """
    paid_deg = k.paid_top_deg
    if not isnan(decision.boost_kpa):
        paid_deg = interpolate(decision.boost_kpa, k.paid_boost, k.paid_timing, k.n_paid)
    return smaller(round_up(paid_deg * k.margin, k.step_deg), k.max_retard_deg)
