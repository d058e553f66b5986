"""Generic change detectors from libraries, on the ratio of delivered to the bank's lower envelope.

river and ruptures come with the extra ``bench``; where they are missing, their rows are left out.
"""

from importlib import import_module
from importlib.util import find_spec
from typing import Any, Final

import numpy as np

from tests.bench.detection.kernels import LEAST
from tests.bench.detection.signals import Signals

HAVE_RIVER: Final = find_spec("river") is not None
HAVE_RUPTURES: Final = find_spec("ruptures") is not None
MIN_INSTANCES: Final = 30
FORGETTING: Final = 0.9999


def ratio_stream(signals: Signals, at: int, every: int = 1) -> tuple[Any, Any]:
    """Return sample numbers and ratios of one pull where the least expected flow is enough.

    Args:
        signals: The pulls.
        at: Which pull.
        every: Take the mean of this many samples in a row, at the last one's number.
    """
    least, delivered = signals.least[at], signals.delivered[at]
    where = np.flatnonzero(least > LEAST)
    ratio = delivered[where] / least[where]
    whole = len(ratio) // every * every
    return where[:whole].reshape(-1, every)[:, -1], ratio[:whole].reshape(-1, every).mean(axis=1)


def page_hinkley_trips(signals: Signals, delta: float, threshold: float) -> Any:
    """Return the sample at which river's Page-Hinkley trips in each pull; -1 for never."""
    detector = import_module("river.drift").PageHinkley
    trips = np.full(len(signals), -1)
    for at in range(len(signals)):
        watch = detector(
            min_instances=MIN_INSTANCES,
            delta=delta,
            threshold=threshold,
            alpha=FORGETTING,
            mode="down",
        )
        where, ratio = ratio_stream(signals, at)
        for sample, value in zip(where.tolist(), ratio.tolist(), strict=True):
            watch.update(value)
            if watch.drift_detected:
                trips[at] = sample
                break
    return trips


def adwin_trips(signals: Signals, every: int, log10_delta: float) -> Any:
    """Return the sample at which river's ADWIN first finds a fall in each pull; -1 for never."""
    detector = import_module("river.drift").ADWIN
    trips = np.full(len(signals), -1)
    for at in range(len(signals)):
        watch = detector(delta=10.0**log10_delta, clock=1)
        where, ratio = ratio_stream(signals, at, every)
        for sample, value in zip(where.tolist(), ratio.tolist(), strict=True):
            before = watch.estimation
            watch.update(value)
            if watch.drift_detected and watch.estimation < before:
                trips[at] = sample
                break
    return trips


def tune_adwin(signals: Signals, every: int, rate: float) -> float:
    """Return log10 of the largest delta at which at most ``rate`` of healthy pulls trip."""
    low, high = -120.0, -0.5
    for _ in range(11):
        middle = 0.5 * (low + high)
        if np.mean(adwin_trips(signals, every, middle) >= 0) <= rate:
            low = middle
        else:
            high = middle
    return low


def offline(signals: Signals) -> tuple[Any, Any]:
    """Find each pull's one best fall of the ratio, with all of the pull known (ruptures, L2).

    Returns:
        Sample at which the fall is placed, and its size in root-sum-of-squares.
    """
    search = import_module("ruptures").KernelCPD
    places, sizes = np.zeros(len(signals), dtype=int), np.zeros(len(signals))
    for at in range(len(signals)):
        where, ratio = ratio_stream(signals, at)
        if len(ratio) < 2 * MIN_INSTANCES:
            continue
        cut = search(kernel="linear", min_size=5).fit(ratio.reshape(-1, 1)).predict(n_bkps=1)[0]
        n, m = cut, len(ratio) - cut
        places[at] = where[cut]
        sizes[at] = (ratio[:cut].mean() - ratio[cut:].mean()) * np.sqrt(n * m / (n + m))
    return places, sizes
