"""The rivals: families of detectors, each with a grid of settings and one false-trip rate."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np

from tests.bench.detection import generic, kernels
from tests.bench.detection.pulls import FAULTS, Fault
from tests.bench.detection.signals import Signals, delays_ms, first_above, threshold_for
from tests.bench.statistics import miss_count, quantile

Trips = Callable[[Signals], Any]
RATIOS: Final = (0.3, 0.4, 0.5, 0.6, 0.65, 0.7, 0.75, 0.8, 0.82, 0.84, 0.86, 0.88, 0.9)
WEIGHTS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.4)
DELTAS: Final = (0.005, 0.02, 0.05, 0.1, 0.15, 0.2)
ADWIN_EVERY: Final = (1, 5)


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
        fewest: As ``delays`` of 25 % short, at the setting chosen for fewest misses.
        false_trips: Healthy pulls tripped, at the setting for 40 % short.
        healthy: Healthy pulls tried.
    """

    name: str
    key: str
    settings: Mapping[Fault, str]
    delays: Mapping[Fault, Any]
    fewest: Any
    false_trips: int
    healthy: int


@dataclass(frozen=True, slots=True)
class Statistic:
    """A detection statistic with one parameter, of delivered flow against a reference."""

    kernel: Callable[..., Any]
    parameters: tuple[float, ...]
    raw: bool = False

    def __call__(self, signals: Signals) -> Any:
        """Return the statistic, (pulls, samples)."""
        reference = signals.commanded if self.raw else signals.expected
        return self.kernel(reference, signals.delivered, *self.parameters)


@dataclass(frozen=True, slots=True)
class AboveThreshold:
    """Trips where a statistic is above its tuned threshold."""

    statistic: Statistic
    threshold: float

    def __call__(self, signals: Signals) -> Any:
        """Return the sample of the first trip of each pull, -1 for never."""
        return first_above(self.statistic(signals), self.threshold)


def _family(
    name: str,
    key: str,
    healthy: Signals,
    rate: float,
    words: tuple[str, str],
    grid: Sequence[tuple[float, Statistic]],
) -> Family:
    settings = []
    for value, statistic in grid:
        threshold = threshold_for(statistic(healthy), rate)
        settings.append(
            Setting(
                f"{words[0]} {value:g}, {threshold:.3g} {words[1]}",
                AboveThreshold(statistic, threshold),
            )
        )
    return Family(name, key, settings)


def families(healthy: Signals, rate: float, generic_pulls: int) -> list[Family]:
    """Tune every rival on healthy tuning pulls.

    Args:
        healthy: The pulls.
        rate: Share of healthy pulls that may trip.
        generic_pulls: How many of them the slow generic detectors are tuned on.
    """
    ratio, share, residual = (
        kernels.ratio_below_s,
        kernels.ewma_of_share,
        kernels.ewma_of_residual,
    )
    out = [
        _family(
            "ratio below X for Y, raw command",
            "raw",
            healthy,
            rate,
            ("X", "s"),
            [(x, Statistic(ratio, (x,), raw=True)) for x in RATIOS],
        ),
        _family(
            "ratio below X for Y, lag-corrected",
            "lag",
            healthy,
            rate,
            ("X", "s"),
            [(x, Statistic(ratio, (x,))) for x in RATIOS],
        ),
        _family(
            "EWMA of the missing share",
            "ewma",
            healthy,
            rate,
            ("weight", "of expected"),
            [(w, Statistic(share, (w,))) for w in WEIGHTS],
        ),
        _family(
            "EWMA of the residual",
            "ewma residual",
            healthy,
            rate,
            ("weight", "mL/min"),
            [(w, Statistic(residual, (w,))) for w in WEIGHTS],
        ),
    ]
    if generic.HAVE_RIVER:
        out += [_page_hinkley(healthy, rate), _adwin(healthy, rate, generic_pulls)]
    return out


def _page_hinkley(healthy: Signals, rate: float) -> Family:
    """Tune Page-Hinkley; the library's detector judges, its compiled twin finds the threshold."""
    settings = []
    for delta in DELTAS:
        statistic = Statistic(
            kernels.page_hinkley, (delta, generic.FORGETTING, generic.MIN_INSTANCES)
        )
        threshold = threshold_for(statistic(healthy), rate)
        settings.append(
            Setting(
                f"delta {delta:g}, {threshold:.3g}",
                partial(generic.page_hinkley_trips, delta=delta, threshold=threshold),
            )
        )
    return Family("Page-Hinkley (river) on the ratio", "page-hinkley", settings)


def _adwin(healthy: Signals, rate: float, pulls: int) -> Family:
    settings = []
    for every in ADWIN_EVERY:
        log10_delta = generic.tune_adwin(healthy.first(pulls), every, rate)
        settings.append(
            Setting(
                f"every {10 * every} ms, delta 1e{log10_delta:.1f}",
                partial(generic.adwin_trips, every=every, log10_delta=log10_delta),
            )
        )
    return Family("ADWIN (river) on the ratio", "adwin", settings)


def contest(
    family: Family, tuning: Mapping[Fault, Signals], evaluation: Mapping[Fault, Signals]
) -> Result:
    """Choose a setting for each fault on tuning pulls, and measure it on evaluation pulls.

    The choice (least median, then least 90th percentile; for ``fewest``, fewest misses, then
    least median) is made for every fault apart, which favours the rival: no one can set a box to a
    fault that is yet to come.
    """
    delays: dict[Fault, Any] = {}
    words: dict[Fault, str] = {}
    chosen = family.settings[0]
    fewest = chosen
    for fault in FAULTS:
        score, misses = [], []
        for number, setting in enumerate(family.settings):
            found = delays_ms(setting.trips(tuning[fault]), tuning[fault].onset)
            median = quantile(found, 0.5)
            score.append((median, quantile(found, 0.9), number))
            misses.append((miss_count(found), median, number))
        best = family.settings[min(score)[2]]
        words[fault] = best.words
        delays[fault] = delays_ms(best.trips(evaluation[fault]), evaluation[fault].onset)
        if fault is Fault.SHORT_40:
            chosen = best
        if fault is Fault.SHORT_25:
            fewest = family.settings[min(misses)[2]]
    short = evaluation[Fault.SHORT_25]
    healthy = evaluation[Fault.NONE]
    return Result(
        family.name,
        family.key,
        words,
        delays,
        delays_ms(fewest.trips(short), short.onset),
        int(np.count_nonzero(chosen.trips(healthy) >= 0)),
        len(healthy),
    )
