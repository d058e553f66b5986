"""What the runs of a proof amount to: pass, fail or undecided, with bounds and reasons."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from math import inf, isfinite, log1p, sqrt
from typing import Any, Final

from rules.facts import Action
from simulator.proof.betting import (
    against_share_at_least,
    against_share_at_most,
    share_bounds,
)
from simulator.proof.outcomes import CHUNK, Cars, Outcome, drawn_for
from simulator.proof.population import Drawn
from simulator.proof.proportions import quantile, roc_auc
from simulator.proof.requirements import Calm, Requirement

WORST: Final = 5
# Chunks in which no run gets where the fault begins, before that is taken as an answer.
_NOWHERE: Final = 4
_SDS: Final = 3.2  # of the rank sum: chance alone gets there once in a hundred, of eight properties
_FEW: Final = 4


class Verdict(StrEnum):
    """What a row came to."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


class Failing(StrEnum):
    """In what a run failed, gravest first."""

    BEFORE = "before"
    NOTHING_DONE = "never"
    LATE = "late"
    TOO_HARD = "too hard"
    HARM = "harm"
    WORK = "work"


@dataclass(frozen=True, slots=True)
class RowResult:
    """What a requirement came to.

    Attributes:
        requirement: The row.
        verdict: The verdict.
        outcomes: The runs it rests on, by index; those in which the fault never began are among
            them and count for nothing.
        passed: How many passed.
        least: Share that passes at least, at the row's confidence, however the runs were stopped.
        most: And at most.
        reason: Why, in a sentence.
        reckoned: What ``flowdebt check`` reckons of it, beside what was found; "" where it doesn't.
    """

    requirement: Requirement
    verdict: Verdict
    outcomes: tuple[Outcome, ...] = ()
    passed: int = 0
    least: float = 0.0
    most: float = 1.0
    reason: str = ""
    reckoned: str = ""

    @property
    def begun(self) -> tuple[Outcome, ...]:
        """The runs in which the fault began."""
        return tuple(outcome for outcome in self.outcomes if outcome.began)

    @property
    def delays_s(self) -> tuple[float, ...]:
        """How long the action asked for took in each (infinite: for ever); any, if none is."""
        return tuple(delay_s(self.requirement, outcome) for outcome in self.begun)

    @property
    def worst(self) -> tuple[Outcome, ...]:
        """The worst runs, worst first: those that fail, the latest, the most harmed."""

        def badness(outcome: Outcome) -> tuple[float, ...]:
            failed = bool(failings(self.requirement, outcome))
            delay = delay_s(self.requirement, outcome)
            return (-failed, -delay, -outcome.harm, -outcome.work_lost_kj, outcome.number)

        return tuple(sorted(self.begun, key=badness)[:WORST])

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types; what never came is null."""
        row = self.requirement
        delays = self.delays_s
        return {
            "name": row.name,
            "point": row.point.key,
            "verdict": self.verdict.value,
            "reason": self.reason,
            "asked": {
                "action_at_least": row.at_least.word,
                "within_s": _finite(row.within_s),
                "action_at_most": row.at_most.word,
                "harm_at_most": _finite(row.harm_at_most),
                "work_lost_at_most_kj": _finite(row.work_lost_at_most_kj),
                "share": row.share,
                "confidence": row.confidence,
            },
            "runs": len(delays),
            "runs_not_begun": len(self.outcomes) - len(delays),
            "passed": self.passed,
            "share_at_least": self.least,
            "share_at_most": self.most,
            "reckoned": self.reckoned,
            "delay_s": {
                name: _finite(quantile(delays, share))
                for name, share in (("p50", 0.5), ("p95", 0.95), ("p99", 0.99), ("most", 1.0))
            },
            "worst": [outcome.number for outcome in self.worst],
            "outcomes": {
                name: [_finite(value) for value in column]
                for name, column in zip(
                    Outcome._fields, zip(*self.outcomes, strict=True), strict=False
                )
            },
        }


@dataclass(frozen=True, slots=True)
class CalmResult:
    """What a row without a fault came to.

    Attributes:
        calm: The row.
        verdict: The verdict.
        hours: Hours simulated, of what the row counts.
        count: How often the action came.
        least: So often in 100 h at least, at the row's confidence.
        most: And at most.
        extrapolated: What was reckoned beyond what was counted, if anything: rate in 100 h, and its
            bounds.
        reason: Why, in a sentence.
        hit: Numbers of the drives in which it came oftenest, ``WORST`` of them at most.
    """

    calm: Calm
    verdict: Verdict
    hours: float = 0.0
    count: int = 0
    least: float = 0.0
    most: float = inf
    extrapolated: tuple[float, float, float] | None = None
    reason: str = ""
    hit: tuple[int, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types; what is unbounded is null."""
        return {
            "name": self.calm.name,
            "verdict": self.verdict.value,
            "reason": self.reason,
            "asked": {**asdict(self.calm), "action": self.calm.action.word},
            "hours": self.hours,
            "count": self.count,
            "per_100_h_at_least": self.least,
            "per_100_h_at_most": _finite(self.most),
            "extrapolated_per_100_h": self.extrapolated,
            "worst": list(self.hit),
        }


@dataclass(frozen=True, slots=True)
class Proof:
    """All rows, and what they rest on.

    Attributes:
        about: Names, hashes, version and seeds.
        rows: Rows with a fault.
        calms: Rows without.
        unfinished: It was broken off.
        beyond: In what the cars go beyond what the rig allows for, in clauses.
    """

    about: dict[str, Any]
    rows: tuple[RowResult, ...]
    calms: tuple[CalmResult, ...]
    unfinished: bool = False
    beyond: tuple[str, ...] = ()
    does_not_prove: str = field(
        default="A simulated car is not the car: this shows what the rules do with cars as the rig "
        "and the population describe them, and nothing of a fault, a sensor or a fuel that neither "
        "describes. The dry limit is proven on a dyno, and the failsafe by a trip in the car."
    )

    @property
    def verdict(self) -> Verdict:
        """Fail where any row fails; else undecided where any is; else pass."""
        found = {row.verdict for row in self.rows} | {calm.verdict for calm in self.calms}
        for verdict in (Verdict.FAIL, Verdict.UNDECIDED):
            if verdict in found:
                return verdict
        return Verdict.PASS

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types: no time of the day, no duration, whoever ran it."""
        return {
            **self.about,
            "verdict": self.verdict.value,
            "unfinished": self.unfinished,
            "beyond_tolerance": list(self.beyond),
            "requirements": [row.as_json() for row in self.rows],
            "calm": [calm.as_json() for calm in self.calms],
            "does_not_prove": self.does_not_prove,
        }


def delay_s(requirement: Requirement, outcome: Outcome) -> float:
    """Return how long the action asked for took, seconds; the first finding where none is."""
    to = (outcome.found_s, outcome.warn_s, outcome.pull_s, outcome.cut_s)
    return to[requirement.at_least]


def failings(requirement: Requirement, outcome: Outcome) -> tuple[Failing, ...]:
    """Return in what a run failed, gravest first; nothing where it passed."""
    found = []
    if requirement.at_least is not Action.NO_ACTION:
        took_s = delay_s(requirement, outcome)
        if not isfinite(took_s):
            acted = outcome.before >= requirement.at_least
            found.append(Failing.BEFORE if acted else Failing.NOTHING_DONE)
        elif took_s > requirement.within_s:
            found.append(Failing.LATE)
    if outcome.worst > requirement.at_most:
        found.append(Failing.TOO_HARD)
    if outcome.harm > requirement.harm_at_most:
        found.append(Failing.HARM)
    if outcome.work_lost_kj > requirement.work_lost_at_most_kj:
        found.append(Failing.WORK)
    return tuple(found)


class RowSoFar:
    """A requirement whose chunks come one by one, in order.

    Args:
        cars: On which cars; None: those of logs, of which nothing was drawn.
        requirement: The row.
        most_runs: So many runs decide it, or nothing does.

    Attributes:
        requirement: The row.
        verdict: What it came to so far.
        seen: The runs.
    """

    def __init__(self, cars: Cars | None, requirement: Requirement, most_runs: int) -> None:
        self.verdict = Verdict.UNDECIDED
        self.seen: list[Outcome] = []
        self._cars = cars
        self.requirement = requirement
        self._most_runs = most_runs
        self._runs = self._passed = 0

    @property
    def done(self) -> bool:
        """Whether it needs no more."""
        nowhere = self._runs == 0 and len(self.seen) >= _NOWHERE * CHUNK
        decided = self.verdict is not Verdict.UNDECIDED
        return decided or nowhere or len(self.seen) >= self._most_runs

    def add(self, chunk: Sequence[Outcome]) -> None:
        """Take the next chunk; nothing changes once it is done."""
        if self.done:
            return
        row = self.requirement
        begun = [outcome for outcome in chunk if outcome.began]
        self.seen += chunk
        self._runs += len(begun)
        self._passed += sum(not failings(row, outcome) for outcome in begun)
        limit = -log1p(-row.confidence)
        if against_share_at_most(self._passed, self._runs, row.share) >= limit:
            self.verdict = Verdict.PASS
        elif against_share_at_least(self._passed, self._runs, row.share) >= limit:
            self.verdict = Verdict.FAIL

    def result(self) -> RowResult:
        """Return what it came to so far, with bounds and a reason."""
        row, passed = self.requirement, self._passed
        bounds = share_bounds(passed, self._runs, row.confidence) if self._runs else (0.0, 1.0)
        reason = _reason(self._cars, row, self.verdict, self.seen)
        return RowResult(row, self.verdict, tuple(self.seen), passed, *bounds, reason)


def _reason(cars: Cars | None, row: Requirement, verdict: Verdict, seen: Sequence[Outcome]) -> str:
    begun = [outcome for outcome in seen if outcome.began]
    if not begun:
        return f"the operating point was not reached in {_runs(seen)}" if seen else "not run"
    failed = [outcome for outcome in begun if failings(row, outcome)]
    if verdict is Verdict.PASS:
        return ""
    parts = [_in_what(row, failing, failed) for failing in Failing]
    text = "; ".join(part for part in parts if part)
    if verdict is Verdict.UNDECIDED:
        decide = "decides" if len(begun) == 1 else "decide"
        text = f"{_runs(begun)} {decide} nothing" + (f": {text}" if text else "")
    apart = separated_by(cars, row, begun) if cars is not None else ""
    return text + (f"; {apart}" if apart else "")


def _in_what(row: Requirement, failing: Failing, failed: Sequence[Outcome]) -> str:
    those = [outcome for outcome in failed if failing in failings(row, outcome)]
    if not those:
        return ""
    action = row.at_least.word.replace("_", " ")
    middle = {
        Failing.LATE: lambda: quantile([delay_s(row, outcome) for outcome in those], 0.5),
        Failing.HARM: lambda: quantile([outcome.harm for outcome in those], 0.5),
        Failing.WORK: lambda: quantile([outcome.work_lost_kj for outcome in those], 0.5),
    }
    half = middle[failing]() if failing in middle else 0.0
    what = {
        Failing.BEFORE: f"{action} had come before anything was wrong",
        Failing.NOTHING_DONE: f"{action} never came",
        Failing.LATE: f"{action} came late (half of them after {1e3 * half:z.0f} ms or more, "
        f"{1e3 * row.within_s:zg} ms are asked for)",
        Failing.TOO_HARD: f"more was done than {row.at_most.word.replace('_', ' ')}",
        Failing.HARM: f"knock did harm (half of them {half:z.1f} or more, at most "
        f"{row.harm_at_most:zg} is asked for)",
        Failing.WORK: f"work was lost (half of them {half:z.0f} kJ or more, at most "
        f"{row.work_lost_at_most_kj:zg} is asked for)",
    }
    return f"{what[failing]} in {_runs(those)}"


def _runs(those: Sequence[Outcome]) -> str:
    return "1 run" if len(those) == 1 else f"{len(those)} runs"


def separated_by(cars: Cars, row: Requirement, begun: Sequence[Outcome]) -> str:
    """Return which drawn property sets the failing runs apart, in a clause; empty: none does."""
    passing: list[dict[str, float]] = []
    failing: list[dict[str, float]] = []
    for outcome in begun:
        drawn = properties(drawn_for(cars, row, outcome.number))
        (failing if failings(row, outcome) else passing).append(drawn)
    return set_apart(passing, failing, "runs that fail")


def set_apart(
    passing: Sequence[dict[str, float]], failing: Sequence[dict[str, float]], those: str
) -> str:
    """Return which property sets some runs apart from the others, in a clause; empty: none does.

    Args:
        passing: The others' properties, by name.
        failing: Theirs.
        those: How they are called.
    """
    if len(failing) < _FEW or len(passing) < _FEW:
        return ""
    found = []
    n, m = len(failing), len(passing)
    sd = sqrt((n + m + 1.0) / (12.0 * n * m))
    for name in failing[0]:
        columns = [[one[name] for one in side] for side in (failing, passing)]
        off = roc_auc(*columns) - 0.5
        middles = [quantile(column, 0.5) for column in columns]
        found.append((abs(off) / sd, name, middles))
    far, name, (fails, passes) = max(found)
    if far < _SDS:
        return ""
    less = "less" if fails < passes else "more"
    return f"the {those} have {less} {name}: {fails:z.3g} against {passes:z.3g}, in the middle"


def properties(drawn: Drawn) -> dict[str, float]:
    """Return what a run was drawn to be, by a name with its unit."""
    spread = drawn.spread
    return {
        "transport delay (ms)": 1e3 * spread.delay_s,
        "sensor lag (ms)": 1e3 * spread.lag_s,
        "flow gain (%)": 1e2 * spread.gain,
        "flow noise (%)": 1e2 * spread.noise,
        "samples a second": drawn.rate_hz,
        "heat outside (degC)": drawn.ambient_c,
        "octane": spread.octane,
        "pump wear (%)": 1e2 * spread.pump_wear,
        "line gain (%)": 1e2 * spread.line_gain,
        "delay of the onset (share)": drawn.later,
    }


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None
