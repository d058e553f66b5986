"""What detectors see of a pull: what was asked for, what should be read, what is, and evidence."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp
from typing import Any, Final

import numpy as np

from rules import channels as ch
from rules.facts import Rig
from rules.guard import Guard
from rules.step.state import N_SIZES, Decision, State
from tests.bench.detection.drives import (
    FAULTS,
    World,
    delivered,
    drive,
    fitted,
    onset_row,
    shipped_rig,
    stream,
)
from tests.bench.detection.kernels import DT_S

NO_FAULT: Final = "healthy"
NOMINAL: Final = World()
CASES: Final = (NO_FAULT, *FAULTS)
HEALTHY_S: Final = 60.0  # of driving before a pull, in which a guard learns
PULL_S: Final = 8.0
N_SAMPLES: Final = round(PULL_S / DT_S)
FIRST_S: Final = 1.0  # of a pull: no fault begins in it
LEAST_LEFT_S: Final = 2.5  # of a pull, after a fault's onset


@dataclass(frozen=True, slots=True)
class Signals:
    """Pulls as detectors see them; matrices (pulls, samples), as shares of full flow.

    Attributes:
        spraying_s: Seconds of spraying in a pull, on average.
        commanded: What the rig's command law asks for.
        expected: What should be read by the rig's delay and lag, and the gain the guard learned.
        least: The least that any car of the bank may read, by that gain: its lower envelope.
        delivered: What the sensor reads.
        evidence: The guard's, nats.
        evidence_fitted: The same by the rig of this very car.
        onset: Sample of the fault's onset, -1 in healthy pulls.
    """

    spraying_s: float
    commanded: Any
    expected: Any
    least: Any
    delivered: Any
    evidence: Any
    evidence_fitted: Any
    onset: Any

    def __len__(self) -> int:
        return len(self.onset)

    def first(self, n: int) -> "Signals":
        """Return the first ``n`` pulls."""
        return Signals(
            self.spraying_s,
            self.commanded[:n],
            self.expected[:n],
            self.least[:n],
            self.delivered[:n],
            self.evidence[:n],
            self.evidence_fitted[:n],
            self.onset[:n],
        )


def with_limit(facts: Rig, nats: float) -> Rig:
    """Return the rig with the hours between false pulls that make this limit of evidence."""
    hours = exp(nats) / N_SIZES * 2.0 * facts.flow_sensor.noise_lasts_s / 3600.0
    return replace(facts, debt=replace(facts.debt, false_pull_every_h=hours))


def see(
    name: str,
    cases: Sequence[str],
    numbers: range,
    seed: int,
    half: int,
    limits: tuple[float, float],
    world: World = NOMINAL,
) -> dict[str, Signals]:
    """Drive cars of a shipped rig through a pull healthy or with a fault, with the real guard.

    Args:
        name: Of the rig.
        cases: Faults, or ``NO_FAULT``; every car has each of them in the same pull.
        numbers: Of the cars; no other number makes the same one.
        seed: The bench's seed.
        half: ``drives.TUNING`` or ``drives.EVALUATION``.
        limits: Of the evidence, nats, by the rig as it ships and by the fitted one.
        world: How the cars are driven and logged, 100 rows a second.
    """
    facts = shipped_rig(name)
    full_ml_min = Guard(facts).constants.full_ml_min
    kept: dict[str, list[tuple[Any, ...]]] = {case: [] for case in cases}
    spraying = 0
    for number in numbers:
        rng = stream(seed, half, len(name), number)
        made = drive(rng, facts, world, HEALTHY_S + PULL_S + 0.5)
        start = int(np.searchsorted(made.rows[:, ch.TIME], HEALTHY_S))
        until_s = HEALTHY_S + PULL_S - LEAST_LEFT_S
        onset = onset_row(rng, made, HEALTHY_S + FIRST_S, until_s)
        spraying += int(made.spraying()[start : start + N_SAMPLES].sum())
        own = fitted(rng, made.rig, made.car)
        guards = [
            Guard(with_limit(rig, nats)) for rig, nats in zip((made.rig, own), limits, strict=True)
        ]
        states = []
        for guard in guards:
            guard.run_changes(made.rows[:start])
            states.append(guard.state())
        gain = State.of_flat(states[0]).gain
        for case in cases:
            rows = made.rows[start : start + N_SAMPLES].copy()
            if case != NO_FAULT:
                flow = delivered(made, FAULTS[case], onset)
                rows[:, ch.DELIVERED] = flow[start : start + N_SAMPLES]
            seen = []
            for guard, state in zip(guards, states, strict=True):
                guard.restore(state)
                seen.append(Decision.named(guard.run_rows(rows)))
            kept[case].append(
                (
                    seen[0]["commanded_ml_min"] / full_ml_min,
                    gain * seen[0]["expected_ml_min"] / full_ml_min,
                    seen[0]["least_ml_min"] / full_ml_min,
                    rows[:, ch.DELIVERED] / full_ml_min,
                    seen[0]["evidence"].copy(),
                    seen[1]["evidence"].copy(),
                    -1 if case == NO_FAULT else onset - start,
                )
            )
    spraying_s = spraying * DT_S / len(numbers)
    stacked: dict[str, list[Any]] = {
        case: [np.array(one) for one in zip(*pulls, strict=True)] for case, pulls in kept.items()
    }
    return {case: Signals(spraying_s, *matrices) for case, matrices in stacked.items()}


def first_above(statistic: Any, threshold: float) -> Any:
    """Return, for each row, the first column above the threshold; -1 for none."""
    above = statistic > threshold
    return np.where(above.any(axis=1), above.argmax(axis=1), -1)


def threshold_for(statistic: Any, rate: float) -> float:
    """Return the threshold above which the share ``rate`` of healthy pulls (rows) trips.

    Args:
        statistic: (pulls, samples), of tuning pulls.
        rate: Share of pulls, more than 0.
    """
    peaks = np.sort(statistic.max(axis=1))
    return float(peaks[len(peaks) - 1 - round(rate * len(peaks))])


def delays_ms(trips: Any, onset: Any) -> Any:
    """Return time from fault to trip, ms; infinite for a miss. Pulls tripped before are dropped."""
    late = (trips < 0) | (trips >= onset)
    trips, onset = trips[late], onset[late]
    return np.where(trips < 0, np.inf, (trips - onset) * DT_S * 1000.0)
