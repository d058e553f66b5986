"""What a guard says while all is well: warnings, pulls and cuts, and how near it came to them.

What is counted is false, as nothing is wrong with the car. A limit of the rig that a reading passes
(boost, knock, intake temperature, injector duty, the tank) is told as the rig asks, and is not
counted.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np

from rules.facts import Action, Rig
from rules.guard import Guard
from rules.step.state import (
    DUTY_HIGH,
    INTAKE_HOT,
    KNOCK_HIGH,
    KNOCK_PERSISTS,
    N_FINDINGS,
    OVERBOOST,
    TANK_LOW,
    Decision,
)
from simulator.proof.driving import Outing
from simulator.runs import Drive

LONGEST_ROW_S: Final = 0.5  # a longer pause is no driving
LEAST_PEAK_NATS: Final = 1.5  # lower peaks of evidence are not kept
PEAK_DIGITS: Final = 5  # behind the point: there may be many to write down
OF_LIMITS: Final = (OVERBOOST, KNOCK_HIGH, INTAKE_HOT, DUTY_HIGH, KNOCK_PERSISTS, TANK_LOW)
_JUDGED: Final = tuple(i for i in range(N_FINDINGS) if i not in OF_LIMITS)
_EVERY: Final = ("clock_s", "commanded_ml_min", "evidence")
_LEVELS: Final = np.array([Action.WARN, Action.PULL_TIMING, Action.CUT_BOOST], dtype=float)
_PEAKS_AT: Final = 2 + len(_LEVELS) * (1 + N_FINDINGS)


@dataclass(frozen=True, slots=True)
class Watched:
    """What a guard said in one drive, or one log.

    Attributes:
        driven_s: How long it was driven.
        sprayed_s: And how long spray was commanded.
        entries: How often a warning or more, a pull or more, and a cut began, (3,); each bout
            counts once for each that it comes to.
        by_finding: The same of each finding alone, in the rules' order, (N_FINDINGS, 3), the rig's
            limits among them.
        peaks_nats: The greatest evidence that spray is missing of each bout of it, from nil to nil;
            those below ``LEAST_PEAK_NATS`` are left out.
    """

    driven_s: float
    sprayed_s: float
    entries: Any
    by_finding: Any
    peaks_nats: Any

    def __iter__(self) -> Iterator[float]:
        """Yield all of it as numbers; see ``of``."""
        yield from (self.driven_s, self.sprayed_s)
        yield from (int(count) for count in self.entries)
        yield from (int(count) for count in self.by_finding.flat)
        yield from self.peaks_nats.tolist()

    @classmethod
    def of(cls, numbers: Sequence[float]) -> Self:
        """Return what these numbers, as they were yielded, say.

        Raises:
            ValueError: There are too few, or one is not finite.
        """
        if len(numbers) < _PEAKS_AT or not np.isfinite(numbers).all():
            raise ValueError(f"found {len(numbers)} numbers, expected {_PEAKS_AT} or more, finite")
        entries, by_finding = np.split(np.array(numbers[2:_PEAKS_AT], dtype=int), [len(_LEVELS)])
        peaks = np.array(numbers[_PEAKS_AT:])
        return cls(numbers[0], numbers[1], entries, by_finding.reshape(N_FINDINGS, -1), peaks)

    def count(self, action: Action) -> int:
        """Return how often it came to an action, or a harder one."""
        return int(self.entries[action - 1])


def watch(rig: Rig, pieces: Iterable[Any]) -> Watched:
    """Have a guard watch one drive, live or recorded.

    Args:
        rig: By which it judges.
        pieces: The drive's rows in order, each piece (n, ROW_WIDTH).
    """
    guard = Guard(rig)
    return counted(guard.constants.nil_ml_min, map(guard.run_rows, pieces))


def counted(nil_ml_min: float, pieces: Iterable[Any]) -> Watched:
    """Count what was said in one drive.

    Args:
        nil_ml_min: A smaller command is none.
        pieces: The drive's decisions in order, each piece (n, N_DECISION).
    """
    every: list[Any] = [np.empty((len(_EVERY), 0))]
    was, rises = np.zeros((1, N_FINDINGS + 1)), np.zeros((N_FINDINGS + 1, len(_LEVELS)), dtype=int)
    for decisions in pieces:
        named = Decision.named(decisions)
        every.append(np.stack([named[name] for name in _EVERY]))
        level = named["level"]
        level = np.column_stack((level, level[:, _JUDGED].max(axis=1)))
        rises += _rises(np.concatenate((was, level)))
        was = np.concatenate((was, level))[-1:]
    clock_s, commanded_ml_min, evidence = np.concatenate(every, axis=1)
    steps_s = np.diff(clock_s, prepend=clock_s[:1])
    on = (steps_s > 0.0) & (steps_s < LONGEST_ROW_S)
    return Watched(
        float(steps_s[on].sum()),
        float(steps_s[on & (commanded_ml_min > nil_ml_min)].sum()),
        rises[-1],
        rises[:-1],
        _peaks(evidence),
    )


def watch_outing(outing: Outing, rigs: Sequence[Rig]) -> list[Watched]:
    """Drive an outing once, and have a guard of each rig watch it.

    No guard acts on the car, so that many thresholds are decided on one stream of rows. Up to the
    first pull of each that is what a guard that acts would have seen, bit for bit; after it, spray
    and boost go on here as if nothing had been done.
    """
    drive = Drive(outing.scenario, outing.scenario.seed, guarded=False, compiled=True)
    pieces = [outing.logged(block.rows) for block in drive]
    return [watch(rig, pieces) for rig in rigs]


def _rises(level: Any) -> Any:
    """Return how often each column of (n, m) levels rose to each action, (m, 3)."""
    at_least = level[:, :, None] >= _LEVELS
    return (at_least[1:] & ~at_least[:-1]).sum(axis=0)


def _peaks(evidence: Any) -> Any:
    """Return the greatest of each stretch above nil, of those that are high enough."""
    some = evidence > 0.0
    begins = np.flatnonzero(some & ~np.concatenate(([False], some[:-1])))
    if not len(begins):
        return np.empty(0)
    peaks = np.maximum.reduceat(evidence, begins)
    return np.round(peaks[peaks >= LEAST_PEAK_NATS], PEAK_DIGITS)
