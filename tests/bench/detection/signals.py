"""What detectors see of a pull: commanded, expected and delivered flow, through the real guard."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf
from typing import Any, Final

import numpy as np

from rules.channels import BOOST, DELIVERED, NOT_SENT, OPERATOR, OPERATOR_NOTHING, ROW_WIDTH, TIME
from rules.facts import Action, Rig
from rules.guard import Guard
from rules.step.state import Decision
from tests.bench.detection.pulls import DT_S, N_SAMPLES, Pulls

NEVER_ML: Final = 1.0e6


@dataclass(frozen=True, slots=True)
class Signals:
    """Pulls as detectors see them; matrices (pulls, samples), mL/min.

    Attributes:
        commanded: What the rig's command law asks for.
        expected: The guard's ``expected_ml_min``: commanded, delayed and lagged as the rig says.
        delivered: What the sensor reads.
        onset: Sample of the fault's onset, -1 in healthy pulls.
    """

    commanded: Any
    expected: Any
    delivered: Any
    onset: Any

    def __len__(self) -> int:
        return len(self.onset)

    def first(self, n: int) -> "Signals":
        """Return the first ``n`` pulls."""
        return Signals(self.commanded[:n], self.expected[:n], self.delivered[:n], self.onset[:n])


def rows_of_pull(pulls: Pulls, at: int) -> Any:
    """Return one pull as the guard's sample rows."""
    rows = np.full((N_SAMPLES, ROW_WIDTH), NOT_SENT)
    rows[:, OPERATOR] = OPERATOR_NOTHING
    rows[:, TIME] = np.arange(N_SAMPLES) * DT_S
    rows[:, BOOST] = pulls.boost_kpa[at]
    rows[:, DELIVERED] = pulls.delivered_ml_min[at]
    return rows


def with_debt(rig: Rig, pull_ml: float, **terms: float) -> Rig:
    """Return the rig with another pull threshold (warn at half of it, cut far above).

    Without terms that say otherwise there are no arrears.
    """
    return replace(
        rig,
        debt=replace(
            rig.debt,
            **{
                "warn_ml": 0.5 * pull_ml,
                "pull_ml": pull_ml,
                "cut_ml": 50.0 * pull_ml,
                "arrears_ml": inf,
                **terms,
            },
        ),
    )


def see(pulls: Pulls, rigs: Callable[[int], Rig]) -> tuple[Signals, Any, Any]:
    """Run the real guard over every pull, never tripping.

    Args:
        pulls: The pulls.
        rigs: The rig for each pull's number.

    Returns:
        The signals, the debt and the arrears (pulls, samples), mL.
    """
    shape = (len(pulls), N_SAMPLES)
    commanded, expected = np.empty(shape), np.empty(shape)
    debt, arrears = np.empty(shape), np.empty(shape)
    for at in range(len(pulls)):
        decisions = Guard(with_debt(rigs(at), NEVER_ML)).run_rows(rows_of_pull(pulls, at))
        commanded[at] = Decision.named(decisions)["commanded_ml_min"]
        expected[at] = Decision.named(decisions)["expected_ml_min"]
        debt[at] = Decision.named(decisions)["debt_ml"]
        arrears[at] = Decision.named(decisions)["arrears_ml"]
    return Signals(commanded, expected, pulls.delivered_ml_min, pulls.onset), debt, arrears


def guard_trips(pulls: Pulls, rigs: Callable[[int], Rig]) -> Any:
    """Return the sample at which the real guard pulls timing in each pull; -1 for never."""
    trips = np.full(len(pulls), -1)
    for at in range(len(pulls)):
        where, decisions, _ = Guard(rigs(at)).run_changes(rows_of_pull(pulls, at))
        acted = np.flatnonzero(Decision.named(decisions)["action"] >= Action.PULL_TIMING)
        if len(acted):
            trips[at] = where[acted[0]]
    return trips


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
