"""The plant's cars with a flow sensor, fitted: what of a rig comes back, and what fresh pulls show.

A car here has one delay and one lag, within a fifth of its rig's, and logs of several seeds: noise,
boost, strokes and the times between pulls differ. What such a log tells is held against the car's
own numbers, and its interval against what the other logs tell, as a guard will see those.
"""

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any, Final, NamedTuple

import numpy as np

from rules.facts import Action
from rules.guard import Guard
from rules.step.state import Decision
from simulator.identify import identify
from simulator.identify.widen import as_written
from simulator.plant import Scenario, Spread
from simulator.rig import find_rig, load_rig
from tests.bench.table import show
from tests.kit.plant_logs import log_of, pulls, rows_of

RIGS: Final = ("brindle", "tarnwick", "ullesby", "wexmoor", "quarrick")
RATES_HZ: Final = (100.0, 50.0)
PULLS: Final = 10  # a log
CARS: Final = 4  # a cell
LOGS: Final = 6  # a car
KEYS: Final = ("transport_delay", "lag", "gain")
SPREAD: Final = 0.2
USUAL_NOISE: Final = 0.875
STRAY_S: Final = 0.1  # a driver's pulls keep no step with a logger's rows


class Car(NamedTuple):
    """What came of one car's logs.

    Attributes:
        off: How far each log's delay is off the car's own, s, its lag and its gain, shares, (n, 3).
        held: Whether each one's interval holds what the others show on average, as if their mean
            were known without error, (n, 3).
        pulled: In how many logs a rig fitted to another one pulled timing.
    """

    off: Any
    held: Any
    pulled: int


def rows_of_pulls(drive: Scenario, seed: int) -> Any:
    """Return rows, (n, ROW_WIDTH), of pulls that begin and end anywhere between two of them."""
    stray = np.random.default_rng(seed).uniform(0.0, STRAY_S, len(drive.drive)).tolist()
    steps = zip(drive.drive, stray, strict=True)
    strayed = tuple(replace(step, for_s=step.for_s + more) for step, more in steps)
    return rows_of(replace(drive, drive=strayed), seed)


def fit_car(job: tuple[str, float, int]) -> Car:
    """Fit each log of one car; job: the rig's name, rows a second, number of the car."""
    name, rate_hz, number = job
    rig = load_rig(find_rig(name)).rig
    own = rig.flow_sensor
    slower, lazier = np.random.default_rng(number).uniform(1.0 - SPREAD, 1.0 + SPREAD, 2).tolist()
    car = Spread(slower * own.delay_s, lazier * own.lag_s, 0.0, USUAL_NOISE * own.noise)
    drive = replace(pulls(rig, PULLS, rate_hz=rate_hz), spread=car)
    logs = [rows_of_pulls(drive, LOGS * number + i) for i in range(LOGS)]
    numbers = [identify([log_of(rows)], rig).numbers for rows in logs]
    told = [[each[f"flow_sensor.{key}"] for key in KEYS] for each in numbers]
    values, lows, highs = (
        np.array([[getattr(one, which) for one in each] for each in told], float)
        for which in ("value", "low", "high")
    )
    others = (values.sum(axis=0) - values) / (LOGS - 1)
    pulled = 0
    for each, fresh in zip(numbers, (*logs[1:], logs[0]), strict=True):
        decided = Decision.named(np.ascontiguousarray(Guard(as_written(rig, each)).run_rows(fresh)))
        pulled += int((decided["action"] >= Action.PULL_TIMING).any())
    off = (values - (car.delay_s, car.lag_s, 1.0)) / (1.0, car.lag_s, 1.0)
    # The others' mean is off by itself: so much nearer to it lies what is told, in the mean square.
    truths = values + (others - values) * np.sqrt((LOGS - 1) / LOGS)
    return Car(off, (lows <= truths) & (truths <= highs), pulled)


def row(name: str, rate_hz: float, cars: Sequence[Car]) -> tuple[str, ...]:
    """Return one rig's row of the table."""
    off = np.concatenate([car.off for car in cars]) * (1e3, 100.0, 100.0)
    held = 100.0 * np.concatenate([car.held for car in cars]).mean(axis=0)
    logs = len(off)
    return (
        name,
        f"{rate_hz:.0f}",
        *(f"{m:+.1f} +-{s:.1f}" for m, s in zip(off.mean(axis=0), off.std(axis=0), strict=True)),
        " / ".join(f"{share:.0f}" for share in held),
        f"{sum(car.pulled for car in cars)} of {logs}",
    )


def main(cars: int = CARS) -> None:
    """Fit the plant's cars; print how far off, how often intervals hold, how often one pulls."""
    cells = [(name, rate_hz) for name in RIGS for rate_hz in RATES_HZ]
    jobs = [(*cell, number) for cell in cells for number in range(cars)]
    with ProcessPoolExecutor() as workers:
        found = list(workers.map(fit_car, jobs))
    show(
        f"The plant's cars, {PULLS} pulls a log, {cars} cars a cell, {LOGS} logs each (mean +-sd)",
        (
            "rig",
            "rows/s",
            "delay off, ms",
            "lag off, %",
            "gain off, %",
            "intervals of 90 % that hold delay / lag / gain of fresh logs, %",
            "fresh logs with timing pulled",
        ),
        [row(*cell, found[i * cars : (i + 1) * cars]) for i, cell in enumerate(cells)],
    )
