"""What a log says of its spray: asked for, delivered, the worst, how near a limit it came."""

from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.review.window import Floats
from rules.channels import CHANNEL_NAMES, DELIVERED, INTAKE, LINE
from rules.step.arithmetic import MIN_PER_S
from rules.step.constants import Constants

# Readings are averaged over so long, so that noise alone is not the worst of a log.
STRETCH_S: Final = 0.5
_FULL: Final = 0.8  # of a stretch must be steady for it to count
# So near to the command must what a sensor is due to read have come: three of its lags.
_STEADY: Final = 0.05
_LONGEST_STEP_S: Final = 0.5
KEPT: Final = (
    *("time_s", "boost_kpa", "due", "reads"),
    *("commanded_ml_min", "line_due_kpa", "value_line_kpa", "value_supply_v"),
)
_OF_FLOW: Final = ("commanded_ml_min", "expected_ml_min", "delivered_ml_min")
# By witness: what it reads, and what it should.
_READ_AND_DUE: Final = {
    DELIVERED: ("delivered_ml_min", "expected_ml_min"),
    LINE: ("value_line_kpa", "line_due_kpa"),
    INTAKE: ("value_intake_c", "charge_due_c"),
}


class Stretch(NamedTuple):
    """Half a second of steady spray: when it began, and what was there on average.

    ``due`` and ``reads`` are the witness's, in its channel's unit; boost is gauge.
    """

    time_s: float
    boost_kpa: float
    due: float
    reads: float


class Peak(NamedTuple):
    """The highest value to its limit, and when; None where it was never above nought."""

    value: float = 0.0
    limit: float = np.inf
    time_s: float | None = None

    @property
    def share(self) -> float:
        """Of the limit; 0 where there is none."""
        return self.value / self.limit if self.limit > 0.0 else 0.0

    def or_higher(self, values: Floats, limit: float, times_s: Floats) -> "Peak":
        """Return the highest of these where that is nearer to its limit."""
        at = values.argmax()
        value = float(values[at])
        if value / limit <= self.value / self.limit and self.limit < np.inf:
            return self
        return Peak(value, limit, float(times_s[at]) if value > 0.0 else None)


@dataclass(slots=True)
class SprayAccount:
    """Adds up block by block what was sprayed; only rows that were judged count.

    Attributes:
        witness: Column of the channel that feels the spray.
        sprayed_s: For how long spray was asked for.
        unjudged_s: And how long besides, in rows that could not be judged.
        low_kpa: Lowest boost while it was asked for, gauge; infinite without.
        high_kpa: Highest.
        most_kpa: Highest boost of all rows; minus infinite where none is known.
        commanded_ml: What was asked for.
        expected_ml: What the witness should have seen of it, by the rig: delay, lag and gain in.
        delivered_ml: What the flow sensor counted of it; nought without one.
        worst: Where the witness read farthest on the wrong side of what was due; None without a
            stretch of steady spray.
        top: At the highest boost.
        evidence: Its peak, nats, to the limit that pulls timing.
        debt_ml: Its peak, to the limit that cuts boost.
        full_ml_s: Full flow, that debt in seconds goes by, mL/s.
        kept: Where it is a list, takes every stretch of steady spray: its begin, then as named by
            ``KEPT``, (len(KEPT), n) a time.
    """

    witness: int = DELIVERED
    sprayed_s: float = 0.0
    unjudged_s: float = 0.0
    low_kpa: float = np.inf
    high_kpa: float = -np.inf
    most_kpa: float = -np.inf
    commanded_ml: float = 0.0
    expected_ml: float = 0.0
    delivered_ml: float = 0.0
    worst: Stretch | None = None
    top: Stretch | None = None
    evidence: Peak = field(default_factory=Peak)
    debt_ml: Peak = field(default_factory=Peak)
    full_ml_s: float = 1.0
    kept: list[Any] | None = None
    _clock_s: float | None = None
    _open: tuple[float, float, Any] | None = None  # number, time, sums of a stretch under way

    def take(self, k: Constants, every: dict[str, Floats], judged: Any) -> None:
        """Take a block of rows.

        Args:
            k: Constants it was judged by.
            every: By name, (n,) of ``Judged.every``.
            judged: (n,) which rows were judged.
        """
        clock_s = every["clock_s"]
        if not len(clock_s):
            return
        self.witness = k.witness_column
        held_s = np.empty(len(clock_s))
        held_s[0] = clock_s[0] - (clock_s[0] if self._clock_s is None else self._clock_s)
        np.subtract(clock_s[1:], clock_s[:-1], out=held_s[1:])
        np.minimum(np.maximum(held_s, 0.0, out=held_s), _LONGEST_STEP_S, out=held_s)
        self._clock_s = float(clock_s[-1])
        self.evidence = self.evidence.or_higher(every["evidence"], k.limit_nats, every["time_s"])
        debt_ml = self.debt_ml.or_higher(every["debt_ml"], k.cut_ml, every["time_s"])
        if debt_ml is not self.debt_ml:
            self.debt_ml, self.full_ml_s = debt_ml, k.full_ml_min * MIN_PER_S
        self.most_kpa = float(np.fmax(np.fmax.reduce(every["boost_kpa"]), self.most_kpa))
        asked = every["commanded_ml_min"] > k.nil_ml_min
        self.unjudged_s += float(held_s[asked & ~judged].sum())
        at = np.flatnonzero(judged & (asked | (every["expected_ml_min"] > k.nil_ml_min)))
        if len(at):
            names = {"time_s", "clock_s", "boost_kpa", *_OF_FLOW, *_READ_AND_DUE[self.witness]}
            names |= set() if self.kept is None else set(KEPT[4:])
            of = {name: every[name].take(at) for name in names}
            self._add(asked.take(at), held_s.take(at), of)

    def finish(self) -> None:
        """Take the stretch under way into account."""
        if self._open is not None:
            _, time_s, sums = self._open
            self._close(np.array([time_s]), sums[:, None])
            self._open = None

    def _add(self, asked: Any, held_s: Floats, of: dict[str, Floats]) -> None:
        """Add rows in which spray was asked for, or should still be read."""
        commanded, boost_kpa = of["commanded_ml_min"], of["boost_kpa"]
        self.commanded_ml += float((commanded * held_s).sum()) * MIN_PER_S
        self.expected_ml += float((of["expected_ml_min"] * held_s).sum()) * MIN_PER_S
        if self.witness == DELIVERED:
            self.delivered_ml += float((of["delivered_ml_min"] * held_s).sum()) * MIN_PER_S
        sprayed_kpa = boost_kpa[asked]
        if len(sprayed_kpa):
            self.sprayed_s += float(held_s[asked].sum())
            self.low_kpa = min(self.low_kpa, float(sprayed_kpa.min()))
            self.high_kpa = max(self.high_kpa, float(sprayed_kpa.max()))
        reads, due = (of[name] for name in _READ_AND_DUE[self.witness])
        steady = asked & np.isfinite(due)
        steady &= abs(of["expected_ml_min"] - commanded) <= _STEADY * commanded
        numbers = np.floor(of["clock_s"] / STRETCH_S)
        starts = np.concatenate(([0], np.flatnonzero(numbers[1:] != numbers[:-1]) + 1))
        means_of = [boost_kpa, due, reads]
        if self.kept is not None:
            means_of += [of[name] for name in KEPT[len(means_of) + 1 :]]
        parts = np.zeros((1 + len(means_of), len(held_s)))
        np.copyto(parts[0], held_s, where=steady)
        for part, column in zip(parts[1:], means_of, strict=True):
            np.multiply(column, held_s, out=part, where=steady)
        sums = np.add.reduceat(parts, starts, axis=1)
        times_s = of["time_s"][starts]
        if self._open is not None and self._open[0] == numbers[0]:
            times_s[0] = self._open[1]
            sums[:, 0] += self._open[2]
        else:
            self.finish()
        self._close(times_s[:-1], sums[:, :-1])
        self._open = float(numbers[-1]), float(times_s[-1]), sums[:, -1]

    def _close(self, times_s: Floats, sums: Floats) -> None:
        """Take whole stretches into account: when they began, (n,), and their sums, (k, n)."""
        whole = sums[0] >= _FULL * STRETCH_S
        if not whole.any():
            return
        times_s, means = times_s[whole], sums[1:, whole] / sums[0, whole]
        if self.kept is not None:
            self.kept.append(np.vstack((times_s, means)))
        boost_kpa, due, reads = means = means[:3]
        for at in (boost_kpa.argmax(), _off(self.witness, due, reads).argmax()):
            found = Stretch(float(times_s[at]), *means[:, at].tolist())
            if self.top is None or found.boost_kpa > self.top.boost_kpa:
                self.top = found
            if self.worst is None or self.off(found) > self.off(self.worst):
                self.worst = found

    def off(self, found: Stretch) -> float:
        """Return how far on the wrong side of what was due the witness read.

        A share of what is due; K for a temperature, which should be low.
        """
        return float(_off(self.witness, found.due, found.reads))

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types."""
        by_flow = self.witness == DELIVERED
        sprayed = self.sprayed_s > 0.0
        debt = self.debt_ml
        return {
            "sprayed_s": self.sprayed_s,
            "not_judged_s": self.unjudged_s,
            "boost_kpa": [self.low_kpa, self.high_kpa] if sprayed else None,
            "commanded_ml": self.commanded_ml,
            "expected_ml": self.expected_ml,
            "delivered_ml": self.delivered_ml if by_flow else None,
            "witness": CHANNEL_NAMES[self.witness - 1],
            "worst": None if self.worst is None else self.worst._asdict(),
            "at_highest_boost": None if self.top is None else self.top._asdict(),
            "peak_evidence": self.evidence._asdict(),
            "peak_debt": {
                "ml": debt.value,
                "limit_ml": debt.limit,
                "s": debt.value / self.full_ml_s,
                "limit_s": debt.limit / self.full_ml_s,
                "time_s": debt.time_s,
            },
        }


def _off(witness: int, due: Any, reads: Any) -> Any:
    if witness == INTAKE:
        return reads - due
    return 1.0 - reads / due if witness == DELIVERED else abs(1.0 - reads / due)
