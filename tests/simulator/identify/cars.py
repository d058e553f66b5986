"""A small healthy car of known truth, for tests: pulls, a flow sensor, a log with a command."""

from typing import Any

import numpy as np

from simulator.identify import Series

STEP_S = 0.001
MOST_ML_MIN = 450.0


def lag(x: Any, lag_s: float) -> Any:
    """Return a signal behind a first-order lag, step by step."""
    out, now = np.empty(len(x)), float(x[0])
    share = 1.0 - np.exp(-STEP_S / lag_s)
    for i, value in enumerate(x):
        now += share * (value - now)
        out[i] = now
    return out


def pulls(rng: Any, count: int) -> Any:
    """Return a command at every millisecond, mL/min: sudden or rising slowly, gears shifted."""
    parts = [np.zeros(2000)]
    for i in range(count):
        n = int(rng.uniform(2500, 4000))
        top = MOST_ML_MIN * float(rng.uniform(0.8, 1.0))
        asked = top * np.minimum(np.arange(n) / (800.0 if i % 2 else 1.0), 1.0)
        shift = int(0.5 * n)
        asked[shift : shift + 300] = 0.0
        parts += [asked, np.zeros(2500)]
    return np.concatenate(parts)


def log_of(
    seed: int,
    *,
    count: int = 6,
    delay_s: float = 0.09,
    lag_s: float = 0.12,
    gain: float = 1.0,
    noise: float = 0.02,
    rate_hz: float = 100.0,
    refresh_s: float = 0.0,
    step_ml_min: float = 0.0,
    command: Any = None,
) -> Series:
    """Return what a log holds of a car whose flow sensor is as told.

    Args:
        seed: Of all that is drawn.
        count: Pulls.
        delay_s: Transport delay.
        lag_s: Lag.
        gain: Of the flow sensor.
        noise: Standard deviation of a reading, as a share of it; new in each.
        rate_hz: Rows a second.
        refresh_s: How long the sensor holds a reading; 0: new in every row.
        step_ml_min: Of the reading; 0: fine.
        command: At every millisecond, instead of pulls.
    """
    rng = np.random.default_rng(seed)
    asked = pulls(rng, count) if command is None else command
    at = np.arange(len(asked), dtype=float)
    flow = gain * lag(np.interp(at - delay_s / STEP_S, at, asked), lag_s)
    t_s = np.arange(int(len(asked) * STEP_S * rate_hz)) / rate_hz
    t_s = t_s + rng.uniform(-0.1, 0.1, len(t_s)) / rate_hz + 0.1 / rate_hz
    read_s = t_s
    if refresh_s > 0.0:
        read_s = np.floor(t_s / refresh_s + 0.3) * refresh_s - 0.3 * refresh_s
    _, which = np.unique(read_s, return_inverse=True)
    scatter = rng.normal(0.0, 1.0, int(which.max()) + 1)[which]
    reading = np.interp(read_s / STEP_S, at, flow) * (1.0 + noise * scatter)
    if step_ml_min > 0.0:
        reading = np.round(reading / step_ml_min) * step_ml_min
    row = np.clip(np.round(t_s / STEP_S).astype(int), 0, len(asked) - 1)
    columns = {
        "boost_kpa": np.where(asked[row] > 0.0, 150.0, 20.0),
        "commanded_ml_min": asked[row],
        "delivered_ml_min": reading,
    }
    return Series(t_s, columns)
