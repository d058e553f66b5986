"""How seldom evidence goes as far as its limit, told from how often it goes part of the way.

Evidence is a sum of log-likelihood ratios that begins anew at nil. If the noise is what the guard
takes it for, peaks that are h higher come exp(-h) times as often (Lorden, Ann. Math. Statist. 42,
1971); if it is stronger, exp(-h / scale) times. Where each car has a scale of its own, what all
peaks are above a threshold is nearly generalised Pareto with a shape above nil, as a gamma mixture
of exponentials is (peaks over threshold: Davison & Smith, J. R. Stat. Soc. B 52 (1990) 393-442). A
shape below nil, a height that no peak passes, is never believed: it would call calm whatever hasn't
happened yet. Where truth was known the upper end, at 95 %, held in 99 of 99 worlds of cars that are
alike, and in 88 of 99 where they differ much (their scales by 40 %, 60 cars): cars of a sort that
wasn't drawn tell nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log, nan, sqrt
from typing import Any, Final

import numpy as np

from simulator.proof.false_pulls import LEAST_PEAK_NATS

LEAST_EXCEEDANCES: Final = 40  # peaks above a threshold that are fitted
MOST_EXCEEDANCES: Final = 1280
LEAST_DRIVES: Final = 4  # from which the highest come, counted by how evenly
LEAST_A_BIN: Final = 5  # expected
POOR_FIT: Final = 0.05  # chance of a worse one
_SAME_NATS: Final = 1e-4  # peaks are rounded
_GRID: Final = 61
_MOST_SHAPE: Final = 0.95  # from 1 on there is no mean
_MOST_LOG: Final = 700.0
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
    peaks_nats: Sequence[Any],
    sprayed_s: Sequence[float],
    limit_nats: float,
    confidence: float,
    cap_nats: float = inf,
) -> Tail:
    """Return how often peaks of evidence reach a limit.

    Args:
        peaks_nats: Of each drive, its peaks, (m,) each.
        sprayed_s: And how long it sprayed.
        limit_nats: The limit.
        confidence: Of each bound, 0.5 or more, less than 1.
        cap_nats: The most that one reading may say.
    """
    from scipy.stats import chi2

    hours = np.asarray(sprayed_s, dtype=float) / 3600.0
    peaks = np.concatenate([np.empty(0), *peaks_nats])
    order = np.argsort(-peaks, kind="stable")
    peaks = peaks[order]
    drives = np.repeat(np.arange(len(hours)), [len(one) for one in peaks_nats])[order]
    if len(peaks) <= LEAST_EXCEEDANCES:
        found = f"found {len(peaks)} peaks of evidence above {LEAST_PEAK_NATS:zg}"
        return _refused(f"{found}, expected more than {LEAST_EXCEEDANCES}")
    if peaks[LEAST_EXCEEDANCES] >= limit_nats:
        return _refused("the limit is reached so often that it can be counted")
    evenly = LEAST_EXCEEDANCES**2 / (np.bincount(drives[:LEAST_EXCEEDANCES]) ** 2).sum()
    if evenly < LEAST_DRIVES:
        return _refused(f"the highest peaks are those of {evenly:z.0f} drives")
    allowed = 0.5 * float(chi2.ppf(2.0 * confidence - 1.0, 1))
    for number in _counts(len(peaks)):
        threshold = float(peaks[number])
        count = int((peaks[:number] > threshold).sum())
        if count < number // 2:
            continue  # a pile of equal ones
        fit = _Fit(peaks[:count] - threshold, drives[:count], hours, cap_nats - threshold)
        if fit.chance_of_worse() >= POOR_FIT:
            told = fit.rates(limit_nats - threshold, allowed)
            return Tail(*told, threshold, count, fit.scale, fit.shape)
    return _refused("the highest peaks follow no law that fits")


def _counts(peaks: int) -> list[int]:
    """Return how many of the highest peaks to fit, the most first."""
    counts = [LEAST_EXCEEDANCES]
    while 2 * counts[0] < min(peaks, MOST_EXCEEDANCES + 1):
        counts.insert(0, 2 * counts[0])
    return counts


class _Fit:
    """The likelihood of excesses over a threshold and of their number, over shapes and scales.

    A reading that was cut to the most that one may say may have said anything beyond. Peaks of one
    drive hang together, so that they tell less than as many of as many drives: by how much, drives
    tell that differ more than chance alone would have it.

    Args:
        excess: By how much each peak passes the threshold, nats, (n,).
        drives: In which drive, from 0, (n,).
        hours: Sprayed in each drive.
        cap: Where readings are cut, by the same measure.
    """

    def __init__(self, excess: Any, drives: Any, hours: Any, cap: float) -> None:
        self._excess, self._cut = excess, np.abs(excess - cap) < _SAME_NATS
        self._cap = min(max(cap, 0.0), _MOST_LOG)
        self._hours = float(hours.sum())
        by_drive = np.bincount(drives, minlength=len(hours))
        self._count_scatters = _dispersion(by_drive, hours)
        y = excess / excess.mean()
        self._law_scatters = max(
            1.0,
            *(
                float((np.bincount(drives, score) ** 2).sum() / (score**2).sum())
                for score in (y - 1.0, 0.5 * y * y - y)
            ),
        )
        of_one = sqrt(self._law_scatters / len(excess))
        shapes = min(0.3 + 8.0 * of_one, _MOST_SHAPE) * np.linspace(0.0, 1.0, _GRID) ** 1.5
        widths = np.exp(min(12.0 * of_one, 2.0) * np.linspace(-1.0, 1.0, _GRID))
        self._shapes = shapes[:, None]
        self._scales = excess.mean() * (1.0 - shapes[:, None]) * widths
        self._of_law = np.empty(self._scales.shape)
        whole = excess[~self._cut]
        for i, (shape, scales) in enumerate(zip(shapes, self._scales, strict=True)):
            rarer = _rarer(whole / scales[:, None], shape)
            self._of_law[i] = -(1.0 + shape) * rarer.sum(axis=1) - len(whole) * np.log(scales)
        self._of_law -= self._cut.sum() * _rarer(self._cap / self._scales, self._shapes)
        best = np.unravel_index(int(self._of_law.argmax()), self._of_law.shape)
        self.shape, self.scale = float(shapes[best[0]]), float(self._scales[best])

    def rates(self, ahead: float, allowed: float) -> tuple[float, float, float]:
        """Return the likeliest rate of excesses of ``ahead`` nats, the least and the most.

        Those are as far below the best, in log-likelihood, as is allowed. Where readings were cut
        the least is nil: what they say together is less than the law has it.
        """
        count = len(self._excess)
        rarer = _rarer(ahead / self._scales, self._shapes)
        likeliest = log(count / self._hours) - float(_rarer(ahead / self.scale, self.shape))
        log_rates = likeliest + np.log(_RATES)
        profile = np.empty(len(log_rates))
        for i, log_rate in enumerate(log_rates):
            log_mean = np.minimum(log_rate + rarer + log(self._hours), _MOST_LOG)
            of_count = (count * log_mean - np.exp(log_mean)) / self._count_scatters
            profile[i] = (self._of_law / self._law_scatters + of_count).max()
        within = log_rates[profile >= profile.max() - allowed]
        least = 0.0 if self._cut.any() else exp(within[0])
        return exp(likeliest), least, exp(within[-1])

    def chance_of_worse(self) -> float:
        """Return how likely a worse fit is, by chi-squared.

        Each bin has half of the chance that is left, so that the tail counts as the body does. The
        statistic is divided by how far drives scatter (Rao & Scott, JASA 76, 1981).
        """
        from scipy.stats import chi2

        rarer = _rarer(self._excess / self.scale, self.shape)
        cut = int(self._cut.sum())
        among = (np.arange(cut) + 0.5) / max(cut, 1)
        rarer[self._cut] = _rarer(self._cap / self.scale, self.shape) - np.log(among)
        count = len(rarer)
        bins = int(np.log2(count / LEAST_A_BIN))
        counts = np.bincount(np.minimum((rarer / log(2.0)).astype(int), bins), minlength=bins + 1)
        expected = count * 0.5 ** np.minimum(np.arange(1, bins + 2), bins)
        off = ((counts - expected) ** 2 / expected).sum() / self._law_scatters
        return float(chi2.sf(off, bins - 2))


def _rarer(y: Any, shape: Any) -> Any:
    """Return how much rarer so many scales higher is, as a negative logarithm."""
    shape = np.asarray(shape)
    some = np.where(shape > 0.0, shape, 1.0)
    return np.where(shape > 0.0, np.log1p(some * y) / some, y)


def _refused(why: str) -> Tail:
    return Tail(nan, 0.0, inf, nan, 0, nan, nan, why)


def _dispersion(counts: Any, hours: Any) -> float:
    """Return how far counts by drive scatter beyond a Poisson law's, 1 or more."""
    on = hours > 0.0
    expected = counts[on].sum() * hours[on] / hours[on].sum()
    if len(expected) < 2:
        return 1.0
    return max(float(((counts[on] - expected) ** 2 / expected).sum()) / (len(expected) - 1), 1.0)
