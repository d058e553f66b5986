"""What a log says of its spray: asked for, delivered, the worst, how near a limit it came."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.review.parts import Parts
from monitor.review.spray_rows import (
    AVERAGED,
    OF_A_REVIEW,
    STEADY,
    STRETCH_S,
    SprayRows,
    spray_rows,
)
from monitor.review.window import Floats
from rules.channels import CHANNEL_NAMES, DELIVERED, INTAKE
from rules.step.arithmetic import MIN_PER_S
from rules.step.constants import Constants

_FULL: Final = 0.8  # of a stretch must be steady for it to count
KEPT: Final = ("time_s", *AVERAGED)
_OF_STRETCHES: Final = ("guard_time_s", "stretch", "steady_s", *STEADY.values())
_SUMMED: Final = ("sprayed_s", "unjudged_s", "commanded_ml", "expected_ml", "delivered_ml")


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

    def or_higher(self, other: "Peak") -> "Peak":
        """Return the other where that is nearer to its limit."""
        if other.share <= self.share and self.limit < np.inf:
            return self
        return other


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
    _waiting: SprayRows | None = None  # of the stretch under way

    def take(self, k: Constants, every: dict[str, Floats], judged: Any) -> SprayRows | None:
        """Take a block of rows; return what each of them adds, None where there are none.

        Args:
            k: Constants it was judged by.
            every: By name, (n,) of ``Judged.every``.
            judged: (n,) which rows were judged.
        """
        if not len(every["clock_s"]):
            return None
        averaged = AVERAGED[:OF_A_REVIEW] if self.kept is None else AVERAGED
        rows = spray_rows(k, every, judged, self._clock_s, averaged)
        clock_s = rows["clock_s"]
        self._clock_s = float(clock_s[-1])
        self._add(next(_sums(k, rows, Parts([0], [len(clock_s)]))))
        on = {name: rows[name] for name in _OF_STRETCHES if name in rows}
        if self._waiting is not None:
            on = {name: np.concatenate((self._waiting[name], on[name])) for name in on}
        begun = int(on["stretch"].searchsorted(on["stretch"][-1]))
        self._take_stretches({name: column[:begun] for name, column in on.items()})
        self._waiting = {name: column[begun:] for name, column in on.items()}
        return rows

    def finish(self) -> None:
        """Take the stretch under way into account."""
        if self._waiting is not None:
            self._take_stretches(self._waiting)
            self._waiting = None

    def _add(self, other: "SprayAccount") -> None:
        """Add what later rows come to, their stretches left aside."""
        self.witness = other.witness
        self.commanded_ml += other.commanded_ml
        self.expected_ml += other.expected_ml
        self.delivered_ml += other.delivered_ml
        self.sprayed_s += other.sprayed_s
        self.unjudged_s += other.unjudged_s
        self.low_kpa = min(self.low_kpa, other.low_kpa)
        self.high_kpa = max(self.high_kpa, other.high_kpa)
        self.most_kpa = max(self.most_kpa, other.most_kpa)
        self.evidence = self.evidence.or_higher(other.evidence)
        debt_ml = self.debt_ml.or_higher(other.debt_ml)
        if debt_ml is not self.debt_ml:
            self.debt_ml, self.full_ml_s = debt_ml, other.full_ml_s

    def _take_stretches(self, rows: SprayRows) -> None:
        if not len(rows["stretch"]):
            return
        _, times_s, means = _stretches(rows, Parts([0], [len(rows["stretch"])]))
        if not len(times_s):
            return
        if self.kept is not None:
            self.kept.append(np.vstack((times_s, means)))
        means = means[:OF_A_REVIEW]
        off = _off(self.witness, means[1], means[2])
        for at in (means[0].argmax(), off.argmax()):
            self._or_worse(Stretch(float(times_s[at]), *means[:, at].tolist()))

    def _or_worse(self, found: Stretch) -> None:
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


def accounts_of(k: Constants, rows: SprayRows, parts: Parts) -> list[SprayAccount]:
    """Return what each of some parts of a log comes to.

    Args:
        k: Constants it was judged by.
        rows: What each row adds.
        parts: Of these rows.
    """
    accounts = list(_sums(k, rows, parts))
    of_part, times_s, means = _stretches(rows, parts)
    if len(times_s):
        begins = np.flatnonzero(np.diff(of_part, prepend=-1))
        whole = Parts(begins, [*begins[1:], len(of_part)])
        off = _off(k.witness_column, means[1], means[2])
        for values in (means[0], off):
            _, rows_at = whole.highest(values)
            for part, at in zip(of_part[begins].tolist(), rows_at.tolist(), strict=True):
                found = Stretch(float(times_s[at]), *means[:OF_A_REVIEW, at].tolist())
                accounts[part]._or_worse(found)
    return accounts


def _sums(k: Constants, rows: SprayRows, parts: Parts) -> Iterator[SprayAccount]:
    """Yield what each part comes to, its stretches left aside."""
    evidence, debt_ml = parts.highest(rows["evidence"]), parts.highest(rows["debt_ml"])
    times_s = rows["guard_time_s"]
    lists = [
        np.fmin(parts.reduced(np.fmin, rows["sprayed_kpa"]), np.inf),
        np.fmax(parts.reduced(np.fmax, rows["sprayed_kpa"]), -np.inf),
        np.fmax(parts.reduced(np.fmax, rows["guard_boost_kpa"]), -np.inf),
        *(parts.reduced(np.add, rows[name]) for name in _SUMMED),
        *(evidence[0], times_s[evidence[1]], debt_ml[0], times_s[debt_ml[1]]),
    ]
    for low_kpa, high_kpa, most_kpa, sprayed_s, unjudged_s, *ml, nats, at_s, owed_ml, owed_s in zip(
        *(one.tolist() for one in lists), strict=True
    ):
        yield SprayAccount(
            witness=k.witness_column,
            sprayed_s=sprayed_s,
            unjudged_s=unjudged_s,
            low_kpa=low_kpa,
            high_kpa=high_kpa,
            most_kpa=most_kpa,
            commanded_ml=ml[0],
            expected_ml=ml[1],
            delivered_ml=ml[2],
            evidence=Peak(nats, k.limit_nats, at_s if nats > 0.0 else None),
            debt_ml=Peak(owed_ml, k.cut_ml, owed_s if owed_ml > 0.0 else None),
            full_ml_s=k.full_ml_min * MIN_PER_S,
        )


def _stretches(rows: SprayRows, parts: Parts) -> tuple[Any, Floats, Any]:
    """Return the whole stretches within each part.

    Returns:
        Which part each is in and when it began, (m,), and its means, (k, m).
    """
    number = parts.inside(rows["stretch"])
    breaks = (number[1:] != number[:-1]) | (parts.part[1:] != parts.part[:-1])
    starts = np.concatenate(([0], np.flatnonzero(breaks) + 1))
    steady_s = np.add.reduceat(parts.inside(rows["steady_s"]), starts)
    whole = steady_s >= _FULL * STRETCH_S
    first = starts[whole]
    means = [
        np.add.reduceat(parts.inside(rows[name]), starts)[whole] / steady_s[whole]
        for name in STEADY.values()
        if name in rows
    ]
    return parts.part[first], rows["guard_time_s"][parts.row(first)], np.array(means)


def _off(witness: int, due: Any, reads: Any) -> Any:
    if witness == INTAKE:
        return reads - due
    return 1.0 - reads / due if witness == DELIVERED else abs(1.0 - reads / due)
