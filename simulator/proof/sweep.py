"""Many settings of a rig's keys on the same cars: which are worth having, and which to take.

All points are tried on the same cars (common random numbers), so that they differ by their keys
alone. Those cars choose; they judge nobody: what was chosen among many looks better on them than it
is, and is judged again on others.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import dist, isfinite
from typing import Any, Final

from rules.facts import Action, Rig
from rules.step.from_rig import limit_nats
from simulator.proof.calm import CalmsSoFar
from simulator.proof.false_pulls import Watched
from simulator.proof.limits import Task, in_order, watch_chunk
from simulator.proof.one_stream import first_actions, told_by_first_action, with_actions
from simulator.proof.outcomes import CHUNK, Cars, Outcome
from simulator.proof.proportions import quantile
from simulator.proof.requirements import Calm, Requirement, Requirements
from simulator.proof.results import CalmResult, RowResult, RowSoFar, Verdict, failings

SHARE: Final = 0.95  # of the runs that delay, harm and work lost are told for
_FALSE_PULLS: Final = Calm("false pulls", Action.PULL_TIMING, 1.0)


@dataclass(frozen=True, slots=True)
class Tried:
    """What one point came to on the cars that choose.

    Attributes:
        place: Where it is within the sweep, 0 to 1 for each key; none: the rig as it is.
        guard: Its rig.
        rows: Rows with a fault.
        calms: Rows without.
        pulls: False pulls, whatever the rows ask for.
        near: The greatest share of its limit that evidence of missing spray came to where none was
            missing: it tells points apart that never pulled falsely.
        acted: Whether it acted on cars of its own. Else all is told up to its first action.
    """

    place: tuple[float, ...]
    guard: Rig
    rows: tuple[RowResult, ...]
    calms: tuple[CalmResult, ...]
    pulls: CalmResult
    near: float
    acted: bool = False

    @property
    def pulls_per_100_h(self) -> float:
        """False pulls in 100 h of spraying: as counted or, if that is more, as their peaks tell."""
        return _per_100_h(self.pulls)

    @property
    def late(self) -> float:
        """Share of the time allowed that 95 % of runs take, in the worst row; 0: none asks."""
        return max((late_share(row) for row in self.rows), default=0.0)

    @property
    def harm(self) -> float:
        """Knock harm that 95 % of runs don't exceed, in the worst row."""
        return _most([one.harm for one in row.begun] for row in self.rows)

    @property
    def work_lost_kj(self) -> float:
        """Work lost that 95 % of runs don't exceed, in the worst row."""
        return _most([one.work_lost_kj for one in row.begun] for row in self.rows)

    @property
    def unmet(self) -> tuple[str, ...]:
        """Names of the rows it doesn't meet, by what was counted: that decides nothing yet."""
        rows = [row.requirement.name for row in self.rows if not is_met(row)]
        return (*rows, *(calm.calm.name for calm in self.calms if not is_calm(calm)))

    @property
    def lacking(self) -> float:
        """Shares, of runs and of false actions, by which rows aren't met, added up; 0: all are."""
        lacks = [row.requirement.share - _passed(row) for row in self.rows if not is_met(row)]
        return sum(lacks) + sum(_too_many(calm) for calm in self.calms if not is_calm(calm))

    @property
    def costs(self) -> tuple[float, ...]:
        """All that ought to be little: harm and work lost are nil where it didn't act."""
        calm = (self.pulls_per_100_h, self.near)
        return (float(len(self.unmet)), *calm, self.late, self.harm, self.work_lost_kj)


@dataclass(frozen=True, slots=True)
class Sweep:
    """What a sweep came to.

    Attributes:
        as_it_is: The rig, nothing changed.
        points: Its points.
        front: Numbers of those that none beats.
        best: Of these, those that meet most rows, and lack least where some aren't met.
        recommended: Of these, the one nearest their middle.
        runs: Runs a row, and healthy drives, of each point.
    """

    as_it_is: Tried
    points: tuple[Tried, ...]
    front: tuple[int, ...]
    best: tuple[int, ...]
    recommended: int
    runs: int

    def neighbours(self, of: int) -> tuple[int, ...]:
        """Return the nearest other point on each side of one, key by key, as far as there is one.

        Nearest is the one that differs least in the other keys, then in this.
        """
        here = self.points[of].place
        found = []
        for key in range(len(here)):
            for side in (-1.0, 1.0):
                beside = [
                    (_off_line(here, point.place, key), abs(step), number)
                    for number, point in enumerate(self.points)
                    if (step := point.place[key] - here[key]) * side > 0.0
                ]
                if beside:
                    found.append(min(beside)[-1])
        return tuple(dict.fromkeys(found))


def sweep(
    requirements: Requirements,
    cars: Cars,
    points: Sequence[tuple[tuple[float, ...], Rig]],
    runs: int,
    *,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Sweep:
    """Try all points on the same cars, and recommend one.

    Each car is driven once for all points as far as first actions tell; those on the front of rows
    met, false pulls and delay then act on cars of their own. What is later and no calmer than
    another could save nothing but work, by acting late: it is left at that.

    Args:
        requirements: Rows that points have to meet.
        cars: On which cars; their guard is the rig as it is.
        points: Place within the sweep (0 to 1 for each key) and rig, at least one.
        runs: Runs a row, and healthy drives; whole chunks are run.
        jobs: Processes; the result is the same whatever their number.
        progress: Called with jobs done and jobs in all.
    """
    chosen_by = replace(cars, car=cars.driven, seed_set=~cars.seed_set)
    guards = [cars.guard, *(rig for _, rig in points)]
    places = [(), *(place for place, _ in points)]
    chunks = -(-runs // CHUNK)
    trial = _Trial(requirements, chosen_by, chunks, jobs, progress)
    healthy = trial.healthy(guards)
    rows = trial.rows(first_actions, guards)
    tried = [
        _tried(requirements, replace(chosen_by, guard=guard), place, by_row, drives)
        for guard, place, by_row, drives in zip(guards, places, rows, healthy, strict=True)
    ]
    # What is compared with acts, too.
    acting = [0, *(1 + number for number in front_of(tried[1:]))]
    rows = trial.rows(with_actions, [guards[number] for number in acting])
    for number, by_row in zip(acting, rows, strict=True):
        of = replace(chosen_by, guard=guards[number])
        tried[number] = _tried(
            requirements, of, places[number], by_row, healthy[number], acted=True
        )
    as_it_is, *all_points = tried
    acted = [number - 1 for number in acting[1:]]
    front = tuple(acted[i] for i in front_of([all_points[number] for number in acted]))
    best = best_of(all_points, front)
    return Sweep(
        as_it_is, tuple(all_points), front, best, _middle(all_points, best), chunks * CHUNK
    )


def front_of(points: Sequence[Tried]) -> list[int]:
    """Return the numbers of the points that no other beats (the Pareto front)."""
    return [
        number
        for number, point in enumerate(points)
        if not any(is_beaten(point.costs, other.costs) for other in points)
    ]


def best_of(points: Sequence[Tried], front: Sequence[int]) -> tuple[int, ...]:
    """Return those of the front that meet most rows; where that isn't all, the least lacking."""
    lacks = {number: (len(points[number].unmet), points[number].lacking) for number in front}
    return tuple(number for number in front if lacks[number] == min(lacks.values()))


def is_beaten(costs: Sequence[float], by: Sequence[float]) -> bool:
    """Return whether other costs are as little in all, and less in something."""
    return costs != by and all(b <= a for a, b in zip(costs, by, strict=True))


def late_share(row: RowResult) -> float:
    """Return the share of the time allowed that 95 % of a row's runs take; 0: no action is asked.

    Infinite where more than 5 % were never acted on.
    """
    if not row.begun or not isfinite(row.requirement.within_s):
        return 0.0
    return quantile(row.delays_s, SHARE) / row.requirement.within_s


def is_met(row: RowResult) -> bool:
    """Return whether so great a share of runs passed as is asked for."""
    return _passed(row) >= row.requirement.share


def _passed(row: RowResult) -> float:
    return row.passed / len(row.begun) if row.begun else 0.0


def is_calm(calm: CalmResult) -> bool:
    """Return whether the action came, and will come by its peaks, as seldom as is asked for."""
    return calm.hours > 0.0 and _per_100_h(calm) <= calm.calm.at_most_per_100_h


def _too_many(calm: CalmResult) -> float:
    """Return which share of a row's false actions is too much; 1 where nothing was driven."""
    return 1.0 - calm.calm.at_most_per_100_h / _per_100_h(calm) if calm.hours else 1.0


def _per_100_h(calm: CalmResult) -> float:
    counted = 100.0 * calm.count / calm.hours if calm.hours else 0.0
    return max(counted, calm.extrapolated[0] if calm.extrapolated else 0.0)


def _most(columns: Iterator[list[float]]) -> float:
    return max((quantile(column, SHARE) for column in columns if column), default=0.0)


def _middle(points: Sequence[Tried], best: Sequence[int]) -> int:
    """Return the one of the best that is nearest their middle; of two, the calmer."""
    keys = range(len(points[best[0]].place))
    middle = [sum(points[i].place[key] for i in best) / len(best) for key in keys]
    return min(
        best,
        key=lambda i: (round(dist(points[i].place, middle), 9), points[i].costs, i),
    )


def _off_line(here: Sequence[float], there: Sequence[float], key: int) -> float:
    off = (abs(a - b) for i, (a, b) in enumerate(zip(here, there, strict=True)) if i != key)
    return round(sum(off), 9)


class _Trial:
    """The jobs of a sweep."""

    def __init__(
        self,
        requirements: Requirements,
        cars: Cars,
        chunks: int,
        jobs: int,
        progress: Callable[[int, int], None] | None,
    ) -> None:
        self._rows = requirements.requirements
        self._cars = cars
        self._chunks = range(chunks)
        self._jobs = jobs
        self._progress = progress
        self._done = 0
        self._of = chunks * (1 + 2 * len(self._rows))

    def healthy(self, guards: Sequence[Rig]) -> list[list[Watched]]:
        """Return what each guard said of all healthy drives."""
        guarded = [replace(self._cars, guard=guard) for guard in guards]
        came = self._run([(watch_chunk, (guarded, chunk)) for chunk in self._chunks])
        return [[drive[i] for chunk in came for drive in chunk] for i in range(len(guards))]

    def rows(
        self, run: Callable[..., list[list[Outcome]]], guards: Sequence[Rig]
    ) -> list[list[list[Outcome]]]:
        """Return each guard's outcomes, row by row."""
        found: list[list[list[Outcome]]] = [[] for _ in guards]
        for row in self._rows:
            came = self._run([(run, (self._cars, guards, row, chunk)) for chunk in self._chunks])
            for i, of_guard in enumerate(found):
                of_guard.append([outcome for chunk in came for outcome in chunk[i]])
        return found

    def _run(self, tasks: Sequence[Task]) -> list[Any]:
        found = []
        for came in in_order(tasks, self._jobs):
            found.append(came)
            self._done += 1
            if self._progress is not None:
                self._progress(self._done, self._of)
        return found


def _tried(
    requirements: Requirements,
    cars: Cars,
    place: tuple[float, ...],
    by_row: Sequence[Sequence[Outcome]],
    drives: Sequence[Watched],
    *,
    acted: bool = False,
) -> Tried:
    results = [
        _row(cars, row, outcomes, whole=acted or told_by_first_action(row))
        for row, outcomes in zip(requirements.requirements, by_row, strict=True)
    ]
    (pulls,) = _calm(cars, (_FALSE_PULLS,), drives)
    calms = _calm(cars, requirements.calm, drives) if requirements.calm else ()
    peak_nats = max((float(one.peaks_nats.max(initial=0.0)) for one in drives), default=0.0)
    near = min(peak_nats / limit_nats(cars.guard), 1.0)
    return Tried(place, cars.guard, tuple(results), calms, pulls, near, acted)


def _calm(cars: Cars, calms: Sequence[Calm], drives: Sequence[Watched]) -> tuple[CalmResult, ...]:
    so_far = CalmsSoFar(cars, calms, len(drives))
    so_far.add(drives)
    return so_far.results()


def _row(cars: Cars, row: Requirement, outcomes: Sequence[Outcome], *, whole: bool) -> RowResult:
    """Return what all runs of a row came to, those behind a decision as well.

    Args:
        cars: The cars.
        row: The row.
        outcomes: Its runs.
        whole: Whether they tell all it asks for; else what they tell may fail it, not pass it.
    """
    so_far = RowSoFar(cars, row, len(outcomes))
    for begin in range(0, len(outcomes), CHUNK):
        so_far.add(outcomes[begin : begin + CHUNK])
    result = so_far.result()
    passed = sum(not failings(row, outcome) for outcome in outcomes if outcome.began)
    if not whole and result.verdict is Verdict.PASS:
        reason = "what follows the first action was not driven"
        result = replace(result, verdict=Verdict.UNDECIDED, reason=reason)
    return replace(result, outcomes=tuple(outcomes), passed=passed)
