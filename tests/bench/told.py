"""Rates told from peaks of evidence, against those counted: ``python -m tests.bench told``.

One stream of healthy drives is watched by guards of several rigs, some of them wrong. A few drives
tell how often evidence passes a height; all of them together pass it often enough to be counted.
"""

import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from typing import Final, NamedTuple

import numpy as np

from rules.facts import Rig
from rules.step.evidence import MOST_RATIO
from rules.step.from_rig import limit_nats
from simulator.proof.driving import outing
from simulator.proof.false_pulls import Watched, watch_outing
from simulator.proof.population import Population, Range, draw, filled
from simulator.proof.tail import Tail, extrapolated
from simulator.rig import find_rig, load_rig, shipped_rigs
from tests.bench.table import note, show

DRIVES: Final = 300
GROUP: Final = 50  # drives that tell
COUNTED: Final = (100, 40, 15)  # times that a height is passed in all drives
CONFIDENCE: Final = 0.95  # of each bound
CHUNK: Final = 10


def worlds(rig: Rig) -> dict[str, Rig]:
    """Return what guards take a car of this rig for: what it is, and what it isn't."""

    def sensor(**terms: float) -> Rig:
        return replace(rig, flow_sensor=replace(rig.flow_sensor, **terms))

    own = rig.flow_sensor
    return {
        "its own": rig,
        "delay and lag within a tenth": sensor(
            delay_within_s=0.1 * own.delay_s, lag_within_s=0.1 * own.lag_s
        ),
        "gain within 1 %": sensor(gain_within=0.01),
        "noise x 0.4": sensor(noise=0.4 * own.noise),
        "limit lower by 9": replace(
            rig, debt=replace(rig.debt, false_pull_every_h=1.2e-4 * rig.debt.false_pull_every_h)
        ),
    }


class Compared(NamedTuple):
    """A height, how often it is passed, and what groups of drives told of it.

    Attributes:
        height_nats: The height.
        per_h: Passed in an hour of spraying, counted.
        told: What each group told.
    """

    height_nats: float
    per_h: float
    told: list[Tail]

    def row(self) -> tuple[str, ...]:
        """Return it as cells."""
        told = [tail for tail in self.told if not tail.refused]
        rates = [tail.rate_per_h / self.per_h for tail in told]
        most = [tail.high_per_h / self.per_h for tail in told]
        return (
            f"{self.height_nats:.1f}",
            f"{self.per_h:.1f}",
            f"{len(told)} of {len(self.told)}",
            f"{sum(tail.low_per_h > self.per_h for tail in told)}",
            f"{sum(tail.high_per_h < self.per_h for tail in told)}",
            f"{np.median(rates):.2f}" if told else "",
            f"{np.median(most):.1f}" if told else "",
        )


def compared(seen: Sequence[Watched], cap_nats: float) -> Iterator[Compared]:
    """Yield some heights that all drives pass so often, and what groups of them tell."""
    peaks = np.sort(np.concatenate([one.peaks_nats for one in seen]))[::-1]
    hours = sum(one.sprayed_s for one in seen) / 3600.0
    groups = [seen[i : i + GROUP] for i in range(0, len(seen) - GROUP + 1, GROUP)]
    for count in COUNTED:
        if count < len(peaks):
            height = float(peaks[count - 1])
            told = [
                extrapolated(
                    [one.peaks_nats for one in group],
                    [one.sprayed_s for one in group],
                    height,
                    CONFIDENCE,
                    cap_nats,
                )
                for group in groups
            ]
            yield Compared(height, float((peaks >= height).sum()) / hours, told)


def watched(name: str, number: int) -> list[Watched]:
    """Drive one car of a rig; return what a guard of each world's rig says."""
    rig_file = load_rig(find_rig(name))
    rig = rig_file.rig
    cars = replace(filled(Population(), rig, 0.02), ambient_c=Range(-10.0, 40.0))
    return watch_outing(outing(rig, draw(cars, number)), list(worlds(rig).values()))


def main(drives: int = DRIVES, names: Sequence[str] = ()) -> None:
    """Drive, and print what is told and what is counted."""
    head = ("guard's rig", "nats", "counted per h", "tell", "low > it", "high < it")
    for name in names or shipped_rigs():
        start_s, rig = time.perf_counter(), load_rig(find_rig(name)).rig
        with ProcessPoolExecutor() as workers:
            seen = list(workers.map(partial(watched, name), range(drives), chunksize=CHUNK))
        rows = [
            (world, *one.row())
            for i, (world, of) in enumerate(worlds(rig).items())
            for one in compared([each[i] for each in seen], MOST_RATIO * limit_nats(of))
        ]
        driven_h = sum(each[0].driven_s for each in seen) / 3600.0
        sprayed_h = sum(each[0].sprayed_s for each in seen) / 3600.0
        show(rig.name, (*head, "told / counted", "most / counted"), rows)
        took_s = time.perf_counter() - start_s
        note(f"{driven_h:.1f} h driven, {sprayed_h:.1f} h in spray, in {took_s:.0f} s")
