"""How seldom evidence goes as far as its limit, told from how often it goes part of the way.

Evidence is a sum of log-likelihood ratios that begins anew at nil. If the noise is what the guard
takes it for, peaks that are h higher come exp(-h) times as often (Lorden, Ann. Math. Statist. 42,
1971); if it is stronger, exp(-h / scale) times. Where each car has a scale of its own, what all
peaks are above a threshold is nearly generalised Pareto with a shape above nil, as a gamma mixture
of exponentials is (peaks over threshold: Davison & Smith, J. R. Stat. Soc. B 52 (1990) 393-442). A
shape below nil, a height that no peak passes, is never believed: it would call calm whatever hasn't
happened yet.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log, nan
from typing import Any, Final

import numpy as np

from simulator.proof.false_pulls import LEAST_PEAK_NATS

MOST_EXCEEDANCES: Final = 200  # the highest peaks alone are fitted
LEAST_EXCEEDANCES: Final = 40
LEAST_DRIVES: Final = 10  # from which they come, counted by how evenly
BINS: Final = 8
POOR_FIT: Final = 0.01  # chance of a worse one
_SHAPES: Final = np.linspace(0.0, 1.0, 41) ** 1.5
_SCALES: Final = np.geomspace(0.05, 2.0, 121)  # of the mean excess
_RATES: Final = np.geomspace(1e-6, 1e6, 601)  # of the likeliest


@dataclass(frozen=True, slots=True)
class Tail:
    """A rate told by extrapolation.

    Attributes:
        rate_per_h: The likeliest, in an hour; NaN where it is refused.
        low_per_h: The least,
        high_per_h: and the most, each at the confidence asked for; infinite where it is refused.
        threshold_nats: Peaks above it are fitted.
        exceedances: So many.
        scale_nats: Of the fit: so much higher, 1/e as many (shape nil).
        shape: Nil, or above: the tail is heavier than exponential.
        refused: Why it is not told; "" where it is.
    """

    rate_per_h: float
    low_per_h: float
    high_per_h: float
    threshold_nats: float
    exceedances: int
    scale_nats: float
    shape: float
    refused: str = ""


def extrapolated(
    peaks_nats: Sequence[Any], sprayed_s: Sequence[float], limit_nats: float, confidence: float
) -> Tail:
    """Return how often peaks of evidence reach a limit.

    Args:
        peaks_nats: Of each drive, its peaks, (m,) each.
        sprayed_s: And how long it sprayed.
        limit_nats: The limit.
        confidence: Of each bound, 0.5 or more, less than 1.
    """
    from scipy.stats import chi2

    hours = np.asarray(sprayed_s, dtype=float) / 3600.0
    drives = np.repeat(np.arange(len(hours)), [len(peaks) for peaks in peaks_nats])
    peaks = np.concatenate([np.empty(0), *peaks_nats])
    order = np.argsort(-peaks, kind="stable")[: MOST_EXCEEDANCES + 1]
    if len(order) <= LEAST_EXCEEDANCES:
        found = f"found {len(order)} peaks of evidence above {LEAST_PEAK_NATS:z.0f}"
        return _refused(f"{found}, expected more than {LEAST_EXCEEDANCES}")
    threshold, above = float(peaks[order[-1]]), order[:-1]
    if threshold >= limit_nats:
        return _refused("the limit is reached so often that it can be counted")
    by_drive = np.bincount(drives[above], minlength=len(hours))
    evenly = by_drive.sum() ** 2 / (by_drive**2).sum()
    if evenly < LEAST_DRIVES:
        return _refused(f"the highest peaks are those of {evenly:z.0f} drives")
    excess = peaks[above] - threshold
    likelihood = _Likelihood(excess, float(hours.sum()), limit_nats - threshold)
    shape, scale = likelihood.best
    chance = _chance_of_worse(excess, shape, scale)
    if chance < POOR_FIT:
        return _refused(f"the peaks follow no law: {chance:z.1g} is the chance of a worse fit")
    allowed = 0.5 * float(chi2.ppf(2.0 * confidence - 1.0, 1)) * _dispersion(by_drive, hours)
    low, high = likelihood.bounds(allowed)
    return Tail(likelihood.rate, low, high, threshold, len(excess), scale, shape)


class _Likelihood:
    """Of the excesses' law and their number, over a grid of shapes and scales."""

    def __init__(self, excess: Any, hours: float, ahead: float) -> None:
        count = len(excess)
        shape, scale = np.meshgrid(_SHAPES, _SCALES * excess.mean(), indexing="ij")
        self._of_law = np.empty(shape.shape)
        for i in range(len(_SHAPES)):  # a shape at a time, as the whole would take memory
            y = excess / scale[i, :, None]
            grown = y if i == 0 else (1.0 + 1.0 / _SHAPES[i]) * np.log1p(_SHAPES[i] * y)
            self._of_law[i] = -count * np.log(scale[i]) - grown.sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            rarer = np.log1p(shape * ahead / scale) / shape
        rarer[0] = ahead / scale[0]
        self._rarer, self._count, self._hours = rarer, count, hours
        at = np.unravel_index(int(self._of_law.argmax()), shape.shape)
        self.best = float(shape[at]), float(scale[at])
        self._log_rate = log(count / hours) - float(rarer[at])
        self.rate = exp(self._log_rate)

    def bounds(self, allowed: float) -> tuple[float, float]:
        """Return the least and the most rate whose log-likelihood is so little below the best."""
        log_rates = self._log_rate + np.log(_RATES)
        profile = []
        for log_rate in log_rates:
            log_mean = log_rate + self._rarer + log(self._hours)
            of_count = self._count * log_mean - np.exp(np.minimum(log_mean, 700.0))
            profile.append(float((self._of_law + of_count).max()))
        plausible = np.array(profile) >= max(profile) - allowed
        within = log_rates[plausible]
        return exp(within[0]), exp(within[-1])


def _refused(why: str) -> Tail:
    return Tail(nan, 0.0, inf, nan, 0, nan, nan, why)


def _dispersion(counts: Any, hours: Any) -> float:
    """Return how far counts by drive scatter beyond a Poisson law's, 1 or more."""
    on = hours > 0.0
    expected = counts[on].sum() * hours[on] / hours[on].sum()
    if len(expected) < 2:
        return 1.0
    return max(float(((counts[on] - expected) ** 2 / expected).sum()) / (len(expected) - 1), 1.0)


def _chance_of_worse(excess: Any, shape: float, scale: float) -> float:
    """Return how likely a worse fit is, by chi-squared over bins of equal chance."""
    from scipy.stats import chi2, genpareto

    shares = genpareto.cdf(excess, shape, scale=scale)
    counts = np.bincount(np.minimum((shares * BINS).astype(int), BINS - 1), minlength=BINS)
    expected = len(excess) / BINS
    return float(chi2.sf(((counts - expected) ** 2 / expected).sum(), BINS - 3))
