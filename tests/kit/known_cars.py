"""Healthy cars of known truth for tests and benches: a command, a flow sensor, a logger.

They share nothing with the plant or the rules but the channels' names. Everything drawn is invented
(no source): delay 40 to 150 ms, lag 50 to 200 ms, gain within 8 %, noise of 1 to 8 % that lasts up
to 200 ms or not at all.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.signal import lfilter

from simulator.identify import Series

STEP_S: Final = 0.001
FULL_ML_MIN: Final = 500.0
CORNER_S: Final = 0.06  # in which a slow command turns


@dataclass(frozen=True, slots=True)
class KnownCar:
    """What is true of a car's flow sensor and of its logger.

    Attributes:
        delay_s: Transport delay.
        lag_s: Time from there to 63 %.
        gain: Of the reading.
        noise: Standard deviation of a reading, as a share of it.
        lasts_s: How long that takes to fall to a 1/e part; 0: new in each reading.
        refresh_s: How long the sensor holds a reading; 0: new in every row.
        step_ml_min: Of the reading; 0: fine.
        rate_hz: Rows a second.
        jitter: Share of a row's period by which its time varies.
    """

    delay_s: float = 0.09
    lag_s: float = 0.12
    gain: float = 1.0
    noise: float = 0.02
    lasts_s: float = 0.0
    refresh_s: float = 0.0
    step_ml_min: float = 0.0
    rate_hz: float = 100.0
    jitter: float = 0.2


def draw_car(rng: Any, rate_hz: float, refresh_s: float) -> KnownCar:
    """Return any car, of a row rate and a refresh period."""
    return KnownCar(
        delay_s=float(rng.uniform(0.04, 0.15)),
        lag_s=float(rng.uniform(0.05, 0.2)),
        gain=float(rng.uniform(0.92, 1.08)),
        noise=float(rng.uniform(0.01, 0.08)),
        lasts_s=float(rng.choice([0.0, rng.uniform(0.01, 0.2)])),
        refresh_s=refresh_s,
        step_ml_min=float(rng.choice([0.5, 2.0, 5.0])),
        rate_hz=rate_hz,
        jitter=float(rng.uniform(0.0, 0.6)),
    )


def smoothed(x: Any, lag_s: float) -> Any:
    """Return a signal behind a first-order lag: each step's input is the mean of its two ends.

    With its last end alone the output would come half a step, 0.5 ms, too soon.
    """
    kept = float(np.exp(-STEP_S / lag_s))
    new = 0.5 * (1.0 - kept)
    return lfilter([new, new], [1.0, -kept], x, zi=[(1.0 - new) * x[0]])[0]


def sudden_pull(rng: Any) -> Any:
    """Return the command of a pull that is switched, mL/min at every millisecond; gears shifted."""
    n = int(rng.uniform(2500, 6000))
    asked = FULL_ML_MIN * float(rng.uniform(0.7, 1.0)) * (1.0 - 0.1 * np.arange(n) / n)
    if rng.uniform() < 0.6:
        shift = int(rng.uniform(0.35, 0.6) * n)
        asked[shift : shift + int(rng.uniform(150, 400))] = 0.0
    return asked


def slow_pull(rng: Any) -> Any:
    """Return the command of a pull that follows boost, mL/min at every millisecond."""
    n = int(rng.uniform(2500, 6000))
    t_s = STEP_S * np.arange(n)
    asked = FULL_ML_MIN * float(rng.uniform(0.7, 1.0))
    asked = asked * np.clip(t_s / float(rng.uniform(0.15, 1.0)), 0.0, 1.0)
    wave = 2.0 * np.pi * t_s / float(rng.uniform(0.8, 2.5)) + float(rng.uniform(0.0, 6.0))
    asked *= 1.0 + 0.08 * np.sin(wave)
    if rng.uniform() < 0.6:
        shift = int(rng.uniform(0.35, 0.6) * n)
        asked[shift : shift + int(rng.uniform(200, 500))] *= float(rng.uniform(0.0, 0.3))
    asked = smoothed(asked, CORNER_S)
    asked[-250:] *= np.linspace(1.0, 0.0, 250)
    return asked


def drive(rng: Any, pulls: int) -> Any:
    """Return the command of some pulls of one kind, mL/min at every millisecond, with rests."""
    pull = sudden_pull if rng.uniform() < 0.5 else slow_pull
    parts = [np.zeros(2000)]
    for _ in range(pulls):
        parts += [pull(rng), np.zeros(int(rng.uniform(2000, 4000)))]
    return np.concatenate(parts)


def log_of(rng: Any, car: KnownCar, asked: Any) -> Series:
    """Return what a log holds of a car that was asked for this, mL/min at every millisecond."""
    at_s = STEP_S * np.arange(len(asked))
    flow = smoothed(np.interp(at_s - car.delay_s, at_s, asked), car.lag_s)
    flow = flow * car.gain * (1.0 + car.noise * _scatter(rng, len(asked), car.lasts_s))
    rows = int(at_s[-1] * car.rate_hz) - 2
    t_s = np.arange(rows) + 0.5 + float(rng.uniform(0.0, 1.0))
    t_s = (t_s + car.jitter * rng.uniform(-0.5, 0.5, rows)) / car.rate_hz
    read_s = t_s
    if car.refresh_s > 0.0:
        begins_s = float(rng.uniform(0.0, car.refresh_s))
        read_s = begins_s + np.floor((t_s - begins_s) / car.refresh_s) * car.refresh_s
    reading = np.interp(read_s, at_s, flow)
    if car.lasts_s == 0.0:
        _, which = np.unique(read_s, return_inverse=True)
        reading = reading * (1.0 + car.noise * rng.normal(0.0, 1.0, len(t_s))[which])
    if car.step_ml_min > 0.0:
        reading = np.round(reading / car.step_ml_min) * car.step_ml_min
    command = np.interp(t_s, at_s, asked)
    columns = {
        "boost_kpa": np.where(command > 0.0, 150.0, 20.0),
        "commanded_ml_min": command,
        "delivered_ml_min": np.maximum(reading, 0.0),
    }
    return Series(t_s, columns)


def _scatter(rng: Any, n: int, lasts_s: float) -> Any:
    """Return noise of variance 1 that lasts; nil where it doesn't."""
    if lasts_s == 0.0:
        return np.zeros(n)
    kept = float(np.exp(-STEP_S / lasts_s))
    begins = kept * float(rng.normal())
    return lfilter([np.sqrt(1.0 - kept**2)], [1.0, -kept], rng.normal(0.0, 1.0, n), zi=[begins])[0]
