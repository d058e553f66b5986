"""A car's numbers from its healthy logs: how near to the truth, and do the intervals hold it?

Cars of known truth (``tests.kit.known_cars``), which share nothing with the plant; then the plant's
(``tests.bench.plant_fits``). A cell without an interval is one whose interval isn't told, since it
can't be trusted there.
"""

import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from math import nan
from typing import Final, NamedTuple

import numpy as np

from simulator.identify import Estimate, identify
from tests.bench.table import note, show
from tests.kit.known_cars import KnownCar, draw_car, drive, log_of
from tests.kit.rigs import rig

CARS: Final = 100  # a cell
SEED: Final = 1
PULLS: Final = (1, 3, 10)
RATES_HZ: Final = (10.0, 20.0, 50.0, 100.0)
REFRESHES_HZ: Final = (0.0, 20.0, 10.0, 5.0)
KEYS: Final = ("transport_delay", "lag", "gain", "noise")
NEAR: Final = (0.02, 0.2, 0.015)  # s; share; share


class Cell(NamedTuple):
    """One kind of log."""

    pulls: int
    rate_hz: float
    refresh_hz: float


class Found(NamedTuple):
    """What came of one log, each by ``KEYS``.

    Attributes:
        off: How far off: s, then shares; NaN where no number was told.
        held: Whether the interval holds the truth; None where no interval was told.
    """

    off: tuple[float, ...]
    held: tuple[bool | None, ...]


def draw(cell: Cell, seed: int) -> tuple[KnownCar, list[Estimate]]:
    """Return a car, and what its log told of it."""
    rng = np.random.default_rng([seed, cell.pulls, int(cell.rate_hz), int(cell.refresh_hz)])
    refresh_s = 1.0 / cell.refresh_hz if cell.refresh_hz else 0.0
    car = draw_car(rng, cell.rate_hz, refresh_s)
    numbers = identify([log_of(rng, car, drive(rng, cell.pulls))], rig()).numbers
    return car, [numbers[f"flow_sensor.{key}"] for key in KEYS]


def run(job: tuple[Cell, int]) -> Found:
    """Fit one car's log, and compare."""
    car, told = draw(*job)
    truths = (car.delay_s, car.lag_s, car.gain, 100.0 * car.noise)
    off, held = [], []
    for truth, one in zip(truths, told, strict=True):
        off.append(nan if one.value is None else one.value - truth)
        known = one.low is not None and one.high is not None
        held.append(one.low <= truth <= one.high if known else None)  # type: ignore[operator]
    return Found((off[0], *(x / t for x, t in zip(off[1:], truths[1:], strict=True))), tuple(held))


def _near(found: Sequence[Found]) -> str:
    return " / ".join(
        f"{100.0 * np.mean([abs(one.off[i]) <= near for one in found]):.0f}"
        for i, near in enumerate(NEAR)
    )


def _held(found: Sequence[Found]) -> str:
    cells = []
    for i in range(len(KEYS)):
        held = [float(h) for one in found for h in (one.held[i],) if h is not None]
        few = len(held) < 0.5 * len(found)
        cells.append("-" if few else f"{100.0 * np.mean(held):.0f}")
    return " / ".join(cells)


def main(cars: int = CARS, seed: int = SEED) -> None:
    """Fit cars of every kind of log; print how near, and how often the interval held the truth."""
    start_s = time.perf_counter()
    cells = [Cell(p, hz, f) for f in REFRESHES_HZ for hz in RATES_HZ for p in PULLS]
    jobs = [(cell, 1000 * seed + i) for cell in cells for i in range(cars)]
    with ProcessPoolExecutor() as workers:
        found = list(workers.map(run, jobs, chunksize=10))
    by_cell = {cell: found[i * cars : (i + 1) * cars] for i, cell in enumerate(cells)}
    for title, words in (
        ("Within 20 ms of delay / 20 % of lag / 1.5 % of gain, % of logs", _near),
        ("Intervals of nominal 90 % that hold delay / lag / gain / noise, %", _held),
    ):
        show(
            f"{title} ({cars} cars a cell, seed {seed})",
            ("flow sensor", "rows/s", *(f"{p} pull{'s' * (p > 1)}" for p in PULLS)),
            [
                (
                    f"refreshed {f:.0f} a second" if f else "new in every row",
                    f"{hz:.0f}",
                    *(words(by_cell[Cell(p, hz, f)]) for p in PULLS),
                )
                for f in REFRESHES_HZ
                for hz in RATES_HZ
            ],
        )
    from tests.bench import plant_fits  # late: a car runs compiled wherever that code is loaded

    plant_fits.main()
    note(f"\n{time.perf_counter() - start_s:.0f} s")
