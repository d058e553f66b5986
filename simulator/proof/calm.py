"""Rows without a fault: healthy cars, driven until it is decided how seldom they are acted on."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log1p
from typing import Final

from rules.facts import Action
from rules.findings import label_of
from rules.step.evidence import MOST_RATIO
from rules.step.from_rig import constants_of
from rules.step.state import FINDING_NAMES
from simulator.proof.betting import against_rate_at_least, against_rate_at_most, rate_bounds
from simulator.proof.driving import outing
from simulator.proof.false_pulls import OF_LIMITS, Watched, watch_outing
from simulator.proof.outcomes import CHUNK, Cars
from simulator.proof.population import draw
from simulator.proof.requirements import Calm
from simulator.proof.results import WORST, CalmResult, Verdict, properties, set_apart
from simulator.proof.tail import Tail, extrapolated

RUNS_A_DRIVE: Final = 10.0  # a drive takes as long as so many runs with a fault
_HOURS: Final = 100.0  # a rate's unit of time
_FEW_H: Final = 10.0
_USUAL: Final = 4.0  # events that a rate allows in the time without any that passes


def healthy_chunk(cars: Cars, chunk: int) -> list[Watched]:
    """Drive one chunk of healthy cars, compiled, a guard watching."""
    return [_watched(cars, chunk * CHUNK + i) for i in range(CHUNK)]


def _watched(cars: Cars, number: int) -> Watched:
    drawn = draw(cars.population, number, cars.seed_set)
    (watched,) = watch_outing(outing(cars.driven, drawn), [cars.guard])
    return watched


@dataclass(slots=True)
class _Row:
    """A row so far: a drive counts once, however often it came to the action.

    One car's actions hang together. So it fails by the drives in which there was one, and passes
    only were each of them to count as often as the worst.
    """

    calm: Calm
    verdict: Verdict = Verdict.UNDECIDED
    drives: int = 0
    time: float = 0.0  # in hundreds of hours
    count: int = 0
    hit: int = 0
    worst: int = 1

    def add(self, watched: Watched) -> None:
        self.drives += 1
        self.time += time_of(self.calm, watched)
        count = watched.count(self.calm.action)
        self.count += count
        self.hit += count > 0
        self.worst = max(self.worst, count)

    def decide(self) -> None:
        limit, most = -log1p(-self.calm.confidence), self.calm.at_most_per_100_h
        if against_rate_at_least(self.hit, self.time / self.worst, most) >= limit:
            self.verdict = Verdict.PASS
        elif against_rate_at_most(self.hit, self.time, most) >= limit:
            self.verdict = Verdict.FAIL

    def bounds(self) -> tuple[float, float]:
        least, _ = rate_bounds(self.hit, self.time, self.calm.confidence)
        _, most = rate_bounds(self.hit, self.time / self.worst, self.calm.confidence)
        return least, most


class CalmsSoFar:
    """The rows without a fault: all watch the same drives, which come in chunks, in order.

    Args:
        cars: On which cars.
        calms: The rows, at least one.
        most_drives: So many decide a row, or nothing does.

    Attributes:
        seen: The drives.
    """

    def __init__(self, cars: Cars, calms: Sequence[Calm], most_drives: int) -> None:
        self.seen: list[Watched] = []
        self._cars = cars
        self._rows = [_Row(calm) for calm in calms]
        self._most_drives = most_drives

    @property
    def decided(self) -> int:
        """How many rows are decided."""
        return sum(row.verdict is not Verdict.UNDECIDED for row in self._rows)

    @property
    def done(self) -> bool:
        """Whether no row needs more."""
        return self.decided == len(self._rows) or len(self.seen) >= self._most_drives

    @property
    def left(self) -> int:
        """About how many drives are still wanted, were no more to happen in them."""
        if self.done:
            return 0
        n, most = len(self.seen), 0.0
        for row in self._rows:
            if row.verdict is Verdict.UNDECIDED:
                due = row.calm.at_most_per_100_h * row.time / row.worst / max(n, 1)
                most = max(most, (_USUAL + row.hit) / due if due > 0.0 else self._most_drives)
        return max(min(int(most), self._most_drives) - n, CHUNK)

    def add(self, chunk: Sequence[Watched]) -> None:
        """Take the next chunk; nothing changes once it is done."""
        if self.done:
            return
        self.seen += chunk
        for row in self._rows:
            if row.verdict is Verdict.UNDECIDED:
                for watched in chunk:
                    row.add(watched)
                row.decide()

    def results(self) -> tuple[CalmResult, ...]:
        """Return what each row came to so far."""
        return tuple(self._result(row) for row in self._rows)

    def _result(self, row: _Row) -> CalmResult:
        if not row.time:
            return CalmResult(row.calm, row.verdict, reason="not driven")
        seen = self.seen[: row.drives]
        tail = told(self._cars, row.calm, seen)
        beyond = None if tail is None or tail.refused else _per_100_h(row.calm, tail, seen)
        parts = [_what(row, seen), self._apart(row.calm, seen) if row.hit else ""]
        if tail is not None:
            parts.append(_in_words(tail, beyond))
        reason = "; ".join(part for part in parts if part)
        counts = [watched.count(row.calm.action) for watched in seen]
        hit = sorted((number for number, n in enumerate(counts) if n), key=lambda i: -counts[i])
        hours, bounds = _HOURS * row.time, row.bounds()
        return CalmResult(
            row.calm, row.verdict, hours, row.count, *bounds, beyond, reason, tuple(hit[:WORST])
        )

    def _apart(self, calm: Calm, seen: Sequence[Watched]) -> str:
        quiet: list[dict[str, float]] = []
        hit: list[dict[str, float]] = []
        for number, watched in enumerate(seen):
            drawn = draw(self._cars.population, number, self._cars.seed_set)
            (hit if watched.count(calm.action) else quiet).append(properties(drawn))
        return set_apart(quiet, hit, "drives in which it came")


def counted_alone(calm: Calm, seen: Sequence[Watched]) -> CalmResult:
    """Return what a row comes to by what was counted in drives, looked at once, at their end."""
    row = _Row(calm)
    for watched in seen:
        row.add(watched)
    if not row.time:
        return CalmResult(calm, row.verdict, reason=f"no {calm.of}")
    row.decide()
    return CalmResult(
        calm, row.verdict, _HOURS * row.time, row.count, *row.bounds(), reason=_what(row, seen)
    )


def hours_told(hours: float) -> str:
    """Return a time in hours, finely where there are few."""
    return f"{hours:z.0f} h" if hours >= _FEW_H else f"{hours:z.2g} h"


def time_of(calm: Calm, watched: Watched) -> float:
    """Return how long a drive was, of what a row counts, in hundreds of hours."""
    seconds = watched.driven_s if calm.of == "driving" else watched.sprayed_s
    return seconds / 3600.0 / _HOURS


def told(cars: Cars, calm: Calm, seen: Sequence[Watched]) -> Tail | None:
    """Return how often evidence of missing spray will come to a row's action, in an hour of spray.

    None where that action doesn't follow from evidence alone.
    """
    k = constants_of(cars.guard)
    level = {Action.WARN: k.warn_nats, Action.PULL_TIMING: k.limit_nats}.get(calm.action)
    if level is None:
        return None
    peaks, sprayed_s = [one.peaks_nats for one in seen], [one.sprayed_s for one in seen]
    return extrapolated(peaks, sprayed_s, level, calm.confidence, MOST_RATIO * k.limit_nats)


def _per_100_h(calm: Calm, tail: Tail, seen: Sequence[Watched]) -> tuple[float, float, float]:
    """Return the rate told, its least and its most, of what the row counts."""
    sprayed = sum(one.sprayed_s for one in seen) / 3600.0 / _HOURS
    times = _HOURS * sprayed / (sum(time_of(calm, one) for one in seen))
    return times * tail.rate_per_h, times * tail.low_per_h, times * tail.high_per_h


def _what(row: _Row, seen: Sequence[Watched]) -> str:
    parts = []
    if row.verdict is Verdict.UNDECIDED:
        parts.append(f"{hours_told(_HOURS * row.time)} of {row.calm.of} decide nothing")
    if row.hit:
        counts = sum(one.by_finding[:, row.calm.action - 1] for one in seen)
        judged = [i for i in range(len(FINDING_NAMES)) if i not in OF_LIMITS and counts[i]]
        said = ", ".join(f"{label_of(FINDING_NAMES[i])} {counts[i]}" for i in judged)
        text = f"it came {row.count} times in {row.hit} of {row.drives} drives"
        parts.append(text + (f" ({said})" if said else ""))
    return ": ".join(parts)


def _in_words(tail: Tail, beyond: tuple[float, float, float] | None) -> str:
    if beyond is None:
        return f"how often evidence of missing spray will get there isn't told: {tail.refused}"
    rate, most = (f"{x:z.2g}" if x < 99.5 else f"{x:z.0f}" for x in (beyond[0], beyond[2]))
    return f"evidence of missing spray alone, by its lower peaks: {rate} in 100 h, at most {most}"
