"""Delay, lag and gain of each car, from a few healthy pulls of its own: a throw-away fit.

Least squares over a grid of delay and lag, gain in closed form. The product's own fit is to take
its place; here it only shows what knowing the car is worth.
"""

from dataclasses import replace
from typing import Any, Final

import numba
import numpy as np

from rules.facts import Rig
from tests.bench.detection.pulls import DT_S, Cars, make_pulls
from tests.bench.detection.signals import see

DELAYS_S: Final = np.arange(0.03, 0.1351, 0.0075)
LAGS_S: Final = np.arange(0.05, 0.1851, 0.0075)
PULLS_A_CAR: Final = 3


@numba.njit(cache=True)
def _fit(commanded: Any, delivered: Any, delays_s: Any, lags_s: Any, out: Any) -> None:
    """Fit ``out[i] = delay, lag, gain`` over ``commanded[i, pull, sample]``."""
    for i in range(commanded.shape[0]):
        best = np.inf
        for delay_s in delays_s:
            whole = int(delay_s / DT_S)
            part = delay_s / DT_S - whole
            for lag_s in lags_s:
                kept = np.exp(-DT_S / lag_s)
                ee, ed, dd = 0.0, 0.0, 0.0
                for p in range(commanded.shape[1]):
                    flow = 0.0
                    for j in range(commanded.shape[2]):
                        new = commanded[i, p, max(j - whole, 0)]
                        old = commanded[i, p, max(j - whole - 1, 0)]
                        asked = new + part * (old - new)
                        flow = asked + (flow - asked) * kept
                        d = delivered[i, p, j]
                        ee += flow * flow
                        ed += flow * d
                        dd += d * d
                error = dd - ed * ed / ee
                if error < best:
                    best = error
                    out[i, 0] = delay_s
                    out[i, 1] = lag_s
                    out[i, 2] = ed / ee


def identify(rng: np.random.Generator, cars: Cars, base: Rig) -> list[Rig]:
    """Return each car's own rig, fitted to ``PULLS_A_CAR`` healthy pulls made from ``rng``."""
    seen = [see(make_pulls(rng, cars), lambda _: base)[0] for _ in range(PULLS_A_CAR)]
    fitted = np.empty((len(cars), 3))
    _fit(
        np.stack([s.commanded for s in seen], axis=1),
        np.stack([s.delivered for s in seen], axis=1),
        DELAYS_S,
        LAGS_S,
        fitted,
    )
    return [own_rig(base, *map(float, row)) for row in fitted]


def own_rig(base: Rig, delay_s: float, lag_s: float, gain: float) -> Rig:
    """Return the rig with this delay and lag, and its nozzles rated ``gain`` times as large."""
    nozzles = tuple(
        replace(nozzle, rated_ml_min=nozzle.rated_ml_min * gain) for nozzle in base.spray.nozzles
    )
    spray = replace(base.spray, transport_delay_s=delay_s, lag_s=lag_s, nozzles=nozzles)
    return replace(base, spray=spray)
