"""One run of a proof: a car that is drawn, its healthy twin, a fault, and what came of it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite
from typing import Any, Final, NamedTuple

import numpy as np

from rules.channels import BOOST
from rules.facts import Rig
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from rules.step.state import Decision
from simulator.coverage.matrix import Found, observe
from simulator.plant import Fault, FaultKind, Scenario
from simulator.plant.truth import TRUTH_NAMES
from simulator.proof.population import Drawn, Population, draw
from simulator.proof.requirements import Requirement
from simulator.runs import Drive

CHUNK: Final = 16  # runs a job has
LATER_S: Final = 0.3  # a fault begins at most so long after it may
_BOOST: Final = TRUTH_NAMES.index("true_boost_kpa")
# It changes nothing, but says when its conditions hold.
_PROBE: Final = Fault(FaultKind.SENSOR_OFFSET, magnitude=0.0)


class Outcome(NamedTuple):
    """What one run showed. Times count from the fault's onset; infinite: never (censored).

    Attributes:
        number: Which car of its set.
        onset_s: When the fault began, seconds since the start; infinite: its point wasn't reached.
        found_s: To the first finding.
        warn_s: To the first warning, or more.
        pull_s: To the first pull of timing, or more.
        cut_s: To the first cut of boost.
        worst: The hardest action since the onset.
        before: The hardest before it: false, most likely.
        harm: Knock harm; NaN: not known.
        work_lost_kj: Work lost against the healthy twin, whom nobody guards; NaN: not known.
    """

    number: int
    onset_s: float = inf
    found_s: float = inf
    warn_s: float = inf
    pull_s: float = inf
    cut_s: float = inf
    worst: int = 0
    before: int = 0
    harm: float = 0.0
    work_lost_kj: float = 0.0

    @property
    def began(self) -> bool:
        """Whether the fault began."""
        return isfinite(self.onset_s)


@dataclass(frozen=True, slots=True)
class Cars:
    """Which cars a proof drives, and what their guard takes them for.

    Attributes:
        guard: The rig that is on trial.
        car: The cars' true rig: the same one, as a rule.
        population: How the cars differ; no gap is left.
        seed_set: Which set of them.
    """

    guard: Rig
    car: Rig
    population: Population
    seed_set: int = 0

    @property
    def driven(self) -> Rig:
        """The cars' rig, with no channel that the guard doesn't look at."""
        if self.car is self.guard:
            return self.car
        seen = {terms.name for terms in self.guard.channels}
        kept = tuple(terms for terms in self.car.channels if terms.name in seen)
        return replace(self.car, channels=kept)


def run_chunk(cars: Cars, requirement: Requirement, chunk: int) -> list[Outcome]:
    """Run one chunk of a requirement, compiled; which runs those are is a matter of its number."""
    return [measure(cars, requirement, chunk * CHUNK + i) for i in range(CHUNK)]


def drawn_for(cars: Cars, requirement: Requirement, number: int) -> Drawn:
    """Return a run's car and day."""
    population = cars.population
    if requirement.ambient is not None:
        population = replace(population, ambient_c=requirement.ambient)
    return draw(population, number, cars.seed_set)


def measure(cars: Cars, requirement: Requirement, number: int, *, compiled: bool = True) -> Outcome:
    """Run one car of a requirement and return what came of it."""
    scenario, drawn, twin_kj = staged(cars, requirement, number, compiled=compiled)
    return watched(scenario, drawn, twin_kj, cars.guard, compiled=compiled)


def watched(
    scenario: Scenario | None, drawn: Drawn, twin_kj: float, guard: Rig, *, compiled: bool = True
) -> Outcome:
    """Run what ``staged`` returned under a guard of this rig."""
    if scenario is None:
        return Outcome(drawn.number)
    return outcome(drawn.number, observe(scenario, drawn.seed, compiled, guard), twin_kj)


def outcome(number: int, found: Found, twin_kj: float) -> Outcome:
    """Return what a run found as its outcome."""
    warn_s, pull_s, cut_s = found.acts_s
    return Outcome(
        number,
        found.onset_s,
        min((delay_s for _, delay_s in found.raised), default=inf),
        warn_s,
        pull_s,
        cut_s,
        int(found.worst),
        int(found.before),
        found.harm,
        twin_kj - found.work_kj,
    )


def staged(
    cars: Cars, requirement: Requirement, number: int, *, compiled: bool = True
) -> tuple[Scenario | None, Drawn, float]:
    """Return a run's scenario, its fault timed; the car; and the work of its healthy twin, kJ.

    The fault begins up to ``LATER_S`` after its point is reached for the first time, as long as
    boost and command stay there. None: the twin never gets there.
    """
    drawn, car = drawn_for(cars, requirement, number), cars.driven
    dressed = replace(
        requirement.point.scenario(car, (_PROBE,)),
        name=requirement.name,
        rate_hz=drawn.rate_hz,
        ambient_c=drawn.ambient_c,
        spread=drawn.spread,
    )
    twin = Drive(dressed, drawn.seed, guarded=False, compiled=compiled)
    blocks = list(twin)
    first_s = twin.spans[0].begins_s
    onset_s = _onset_s(requirement, dressed, blocks, first_s, drawn.later)
    if not isfinite(onset_s):
        return None, drawn, twin.report.work_kj
    faults = tuple(replace(fault, at_s=onset_s) for fault in requirement.faults)
    return replace(dressed, faults=faults), drawn, twin.report.work_kj


def _onset_s(
    requirement: Requirement, dressed: Scenario, blocks: Sequence[Any], first_s: float, later: float
) -> float:
    """Return when the fault begins; infinite: never."""
    came_s = np.concatenate([block.came_s for block in blocks])
    boost_kpa = np.concatenate([block.row_truths[:, _BOOST] for block in blocks])
    (probe,) = dressed.faults
    there = (came_s >= first_s) & (boost_kpa > probe.above_boost_kpa)
    there &= boost_kpa < probe.below_boost_kpa
    low, high = requirement.command
    if low > 0.0 or high < inf:
        k = constants_of(dressed.rig)
        rows = np.concatenate([block.rows[:, BOOST] for block in blocks])
        full = np.array([full_flow_ml_min(k, kpa) for kpa in rows.tolist()])
        decisions = Decision.named(np.concatenate([block.decisions for block in blocks]))
        share = decisions["commanded_ml_min"] / np.maximum(full, 1.0)
        there &= (share >= low) & (share <= high)
    moments = came_s[there]
    if not len(moments):
        return inf
    moments = moments[moments <= moments[0] + LATER_S]
    number, part = divmod(later * len(moments), 1.0)
    return float(moments[int(number)] + part / dressed.rate_hz)
