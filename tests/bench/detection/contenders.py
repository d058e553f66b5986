"""The rivals: families of detectors, each with a grid of settings and one false-trip rate.

All are given what the guard knows: the gain it has learned, and the lower envelope of its bank.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np

from simulator.proof.proportions import miss_count, quantile
from tests.bench.detection import generic, kernels
from tests.bench.detection.drives import FAULTS
from tests.bench.detection.kernels import Terms
from tests.bench.detection.signals import NO_FAULT, Signals, delays_ms, first_above, threshold_for

Trips = Callable[[Signals], Any]
RATIOS: Final = (0.3, 0.4, 0.5, 0.6, 0.65, 0.7, 0.75, 0.8, 0.82, 0.84, 0.86, 0.88, 0.9)
WEIGHTS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.4)
DELTAS: Final = (0.005, 0.02, 0.05, 0.1, 0.15, 0.2)
ADWIN_EVERY: Final = (1, 5)
CORRECTED: Final = ("expected", "least")  # what lag-corrected rules may be held against
ACCOUNTS: Final = tuple(
    Terms(share, 0.03, 0.06, lead, slow_share)
    for share, slow_share in ((0.1, 0.06), (0.12, 0.08), (0.16, 0.12))
    for lead in (0.0, 0.3)
)
QUICK_PART: Final = 0.6  # of the false trips go to the quick account, the rest to the slow one


@dataclass(frozen=True, slots=True)
class Setting:
    """One detector of a family, tuned."""

    words: str
    trips: Trips


@dataclass(frozen=True, slots=True)
class Family:
    """Detectors of one kind; the bars know it by its key."""

    name: str
    key: str
    settings: Sequence[Setting]


@dataclass(frozen=True, slots=True)
class Result:
    """How one row of the table did on the evaluation pulls.

    Attributes:
        name: Row's name.
        key: How the bars call it.
        settings: Setting used for each fault, in words.
        delays: For each fault, ms from fault to trip, infinite for a miss.
        fewest: As ``delays`` of 25 % missing, at the setting chosen for fewest misses.
        false_trips: Healthy pulls tripped, at the setting for 40 % missing.
        healthy: Healthy pulls tried.
        trips: The detector at that setting.
    """

    name: str
    key: str
    settings: Mapping[str, str]
    delays: Mapping[str, Any]
    fewest: Any
    false_trips: int
    healthy: int
    trips: Trips | None = None


@dataclass(frozen=True, slots=True)
class Statistic:
    """A detection statistic with its parameters, of delivered flow against a reference."""

    kernel: Callable[..., Any]
    parameters: tuple[float, ...]
    reference: str

    def __call__(self, signals: Signals) -> Any:
        """Return the statistic, (pulls, samples)."""
        reference = getattr(signals, self.reference)
        return self.kernel(reference, signals.delivered, *self.parameters)


@dataclass(frozen=True, slots=True)
class Accounts:
    """The two accounts, each to its limit; above 1 where either passes it."""

    terms: Terms
    lag_s: float
    quick_s: float = 1.0
    slow_s: float = 1.0

    def both(self, signals: Signals) -> tuple[Any, Any]:
        """Return both accounts, (pulls, samples), s of full flow."""
        quick, slow = kernels.accounts(
            signals.commanded, signals.expected, signals.delivered, self.lag_s, tuple(self.terms)
        )
        return quick, slow

    def __call__(self, signals: Signals) -> Any:
        """Return the greater of both, as a share of its limit."""
        quick, slow = self.both(signals)
        return np.maximum(quick / self.quick_s, slow / self.slow_s)


@dataclass(frozen=True, slots=True)
class AboveThreshold:
    """Trips where a statistic is above its tuned threshold."""

    statistic: Callable[[Signals], Any]
    threshold: float

    def __call__(self, signals: Signals) -> Any:
        """Return the sample of the first trip of each pull, -1 for never."""
        return first_above(self.statistic(signals), self.threshold)


def _family(
    name: str,
    key: str,
    tuned: tuple[Signals, float],
    kernel: Callable[..., Any],
    grid: tuple[str, Sequence[float]],
    references: Sequence[str],
) -> Family:
    """Tune one kernel over a grid of its parameter, and the references it may be held against."""
    healthy, rate = tuned
    settings = []
    for reference in references:
        for value in grid[1]:
            statistic = Statistic(kernel, (value,), reference)
            threshold = threshold_for(statistic(healthy), rate)
            words = f"{grid[0]} {value:g} of {reference}, {threshold:.3g}"
            settings.append(Setting(words, AboveThreshold(statistic, threshold)))
    return Family(name, key, settings)


def families(healthy: Signals, rate: float, lag_s: float) -> Iterator[Family]:
    """Tune every rival on healthy tuning pulls, all of them.

    Args:
        healthy: The pulls.
        rate: Share of healthy pulls that may trip.
        lag_s: The rig's lag of the flow sensor.
    """
    tuned = (healthy, rate)
    ratio = kernels.ratio_below_s
    yield _family(
        "ratio below X for Y, raw command", "raw", tuned, ratio, ("X", RATIOS), ("commanded",)
    )
    yield _family("ratio below X for Y, corrected", "ratio", tuned, ratio, ("X", RATIOS), CORRECTED)
    yield _family(
        "EWMA of the missing share",
        "ewma",
        tuned,
        kernels.ewma_of_share,
        ("weight", WEIGHTS),
        CORRECTED,
    )
    yield _family(
        "EWMA of the residual",
        "ewma residual",
        tuned,
        kernels.ewma_of_residual,
        ("weight", WEIGHTS),
        CORRECTED,
    )
    yield Family(
        "two accounts with allowances, the old rule",
        "accounts",
        [_accounts(healthy, rate, Accounts(terms, lag_s)) for terms in ACCOUNTS],
    )
    if generic.HAVE_RIVER:
        yield _page_hinkley(healthy, rate)
        yield _adwin(healthy, rate)


def _accounts(healthy: Signals, rate: float, of: Accounts) -> Setting:
    """Tune both limits together: a pull that passes both counts once."""
    quick, slow = of.both(healthy)
    quick_s = threshold_for(quick, QUICK_PART * rate)
    slow_s = threshold_for(slow, (1.0 - QUICK_PART) * rate)
    tuned = Accounts(of.terms, of.lag_s, quick_s, slow_s)
    words = ", ".join(f"{value:g}" for value in of.terms)
    scale = threshold_for(tuned(healthy), rate)
    return Setting(f"terms {words}", AboveThreshold(tuned, scale))


def _page_hinkley(healthy: Signals, rate: float) -> Family:
    """Tune Page-Hinkley; the library's detector judges, its compiled twin finds the threshold."""
    settings = []
    for delta in DELTAS:
        statistic = Statistic(
            kernels.page_hinkley, (delta, generic.FORGETTING, generic.MIN_INSTANCES), "least"
        )
        threshold = threshold_for(statistic(healthy), rate)
        settings.append(
            Setting(
                f"delta {delta:g}, {threshold:.3g}",
                partial(generic.page_hinkley_trips, delta=delta, threshold=threshold),
            )
        )
    return Family("Page-Hinkley (river) on the ratio", "page-hinkley", settings)


def _adwin(healthy: Signals, rate: float) -> Family:
    settings = []
    for every in ADWIN_EVERY:
        log10_delta = generic.tune_adwin(healthy, every, rate)
        settings.append(
            Setting(
                f"every {10 * every} ms, delta 1e{log10_delta:.1f}",
                partial(generic.adwin_trips, every=every, log10_delta=log10_delta),
            )
        )
    return Family("ADWIN (river) on the ratio", "adwin", settings)


def contest(
    family: Family, tuning: Mapping[str, Signals], evaluation: Mapping[str, Signals]
) -> Result:
    """Choose a setting for each fault on tuning pulls, and measure it on evaluation pulls.

    The choice (least median, then least 95th percentile; for ``fewest``, fewest misses, then
    least median) is made for every fault apart, which favours the rival: no one can set a box to a
    fault that is yet to come.
    """
    delays: dict[str, Any] = {}
    words: dict[str, str] = {}
    chosen = family.settings[0]
    fewest = chosen
    for fault in FAULTS:
        score, misses = [], []
        for number, setting in enumerate(family.settings):
            found = delays_ms(setting.trips(tuning[fault]), tuning[fault].onset)
            median = quantile(found, 0.5)
            score.append((median, quantile(found, 0.95), number))
            misses.append((miss_count(found), median, number))
        best = family.settings[min(score)[2]]
        words[fault] = best.words
        delays[fault] = delays_ms(best.trips(evaluation[fault]), evaluation[fault].onset)
        if fault == "40 % missing":
            chosen = best
        if fault == "25 % missing":
            fewest = family.settings[min(misses)[2]]
    short = evaluation["25 % missing"]
    healthy = evaluation[NO_FAULT]
    return Result(
        family.name,
        family.key,
        words,
        delays,
        delays_ms(fewest.trips(short), short.onset),
        int(np.count_nonzero(chosen.trips(healthy) >= 0)),
        len(healthy),
        chosen.trips,
    )
