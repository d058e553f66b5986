"""What is pulled though nothing is wrong: hours of healthy spraying on rigs that state their car.

Each world is driven as a person would who knows its peculiarities and wrote them into the rig: the
noise and how long it lasts, the sensor's refresh period, the steps it reads in.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rules.guard import Guard
from rules.step.state import Decision
from simulator.proof.proportions import poisson
from tests.bench.detection.drives import HEALTHY, World, drive, shipped_rig, stream
from tests.bench.detection.shipped import RIGS
from tests.bench.table import show

DRIVE_S: Final = 600.0
BIT_KPA: Final = 350.0 / 255.0  # 8 bits over -100 to 250 kPa
NOMINAL: Final = World()
WORLDS: Final = (
    World("10 Hz", rate_hz=10.0),
    World("20 Hz, jitter of half a row", rate_hz=20.0, jitter=0.5),
    World("50 Hz, jitter of half a row", rate_hz=50.0, jitter=0.5),
    World("jabs at the pedal alone", jabs=1.0),
    World("gear shifts three times as often", shifts=3.0),
    World("noise 1 %", noise=0.01),
    World("noise 8 %", noise=0.08),
    World("noise 8 %, lasts 200 ms", noise=0.08, noise_lasts_s=0.2),
    World("noise lasts 5 ms", noise_lasts_s=0.005),
    World("noise lasts 200 ms", noise_lasts_s=0.2),
    World("flow held for 200 ms", refresh_s=0.2),
    World("flow held for 200 ms, 10 Hz", refresh_s=0.2, rate_hz=10.0),
    World("boost of 8 bits", boost_step_kpa=BIT_KPA),
    World("boost of 8 bits, 10 Hz, jabs", boost_step_kpa=BIT_KPA, rate_hz=10.0, jabs=1.0),
    World("flow in steps of 1/32 of 600 mL/min", flow_step_ml_min=600.0 / 32.0),
    World("delay, lag and gain at the edge", at_edge=True),
    World("at the edge, 10 Hz, jabs", at_edge=True, rate_hz=10.0, jabs=1.0),
)


@dataclass(frozen=True, slots=True)
class Count:
    """What became of one world on one rig.

    Attributes:
        rig: Name of the rig.
        world: Name of the world.
        spraying_h: Hours of spraying.
        pulls: How often evidence passed its limit, having been below half of it.
        warnings: The same for a warning.
        share: The greatest evidence, as a share of the limit.
    """

    rig: str
    world: str
    spraying_h: float
    pulls: int
    warnings: int
    share: float


def rises(values: Any, limit: float) -> int:
    """Return how often values reach a limit, having been below half of it since the last time."""
    marks = np.where(values >= limit, 1, np.where(values < 0.5 * limit, -1, 0))
    marks = marks[marks != 0]
    return int(np.count_nonzero((marks[1:] == 1) & (marks[:-1] == -1)) + (marks[:1] == 1).sum())


def count(name: str, world: World, spraying_h: float, seed: int, number: int) -> Count:
    """Drive cars of a rig through a world until they have sprayed for so long.

    Args:
        name: Of the shipped rig.
        world: The world.
        spraying_h: Hours.
        seed: The bench's seed.
        number: Of the world, so that no two share their chances.
    """
    facts = shipped_rig(name)
    sprayed_h = share = 0.0
    pulls = warnings = drives = 0
    while sprayed_h < spraying_h:
        made = drive(stream(seed, HEALTHY, RIGS.index(name), number, drives), facts, world, DRIVE_S)
        drives += 1
        guard = Guard(made.rig)
        evidence = Decision.named(guard.run_rows(made.rows))["evidence"]
        k = guard.constants
        pulls += rises(evidence, k.limit_nats)
        warnings += rises(evidence, k.warn_nats)
        share = max(share, float(evidence.max()) / k.limit_nats)
        sprayed_h += float(np.count_nonzero(made.spraying())) / world.rate_hz / 3600.0
    return Count(name, world.name, sprayed_h, pulls, warnings, share)


def measure(nominal_h: float, other_h: float, seed: int) -> list[Count]:
    """Count over every world: so many hours of spraying of the nominal, and of each other one."""
    out = []
    for name in RIGS:
        out.append(count(name, NOMINAL, nominal_h / len(RIGS), seed, 0))
        for number, world in enumerate(WORLDS, 1):
            out.append(count(name, world, other_h / len(RIGS), seed, number))
    return out


def per_100_h(events: int, hours: float) -> str:
    """Return a rate in words, with its 95 % interval."""
    low, high = (100.0 * end / hours for end in poisson(events))
    return f"{100.0 * events / hours:.3g} ({low:.2g}-{high:.2g})"


def table(counts: Sequence[Count]) -> None:
    """Print every world, the sums, and the worst."""
    body: list[tuple[object, ...]] = [
        (c.rig, c.world, f"{c.spraying_h:.1f}", c.pulls, c.warnings, f"{c.share:.2f}")
        for c in counts
    ]
    show(
        "False pulls over healthy spraying, on rigs that state their car rightly",
        ("rig", "world", "h of spraying", "pulls", "warnings", "greatest evidence / limit"),
        body,
    )
    rows = []
    for words, some in (
        ("nominal", [c for c in counts if c.world == NOMINAL.name]),
        ("all worlds", list(counts)),
    ):
        hours = sum(c.spraying_h for c in some)
        pulls, warnings = sum(c.pulls for c in some), sum(c.warnings for c in some)
        rows.append(
            (words, f"{hours:.0f}", per_100_h(pulls, hours), per_100_h(warnings, hours)),
        )
    worst = max(counts, key=lambda c: (c.pulls / c.spraying_h, c.share))
    show(
        f"Per 100 h of spraying (95 % Poisson); the worst world: {worst.world}, {worst.rig}",
        ("worlds", "h of spraying", "pulls", "warnings"),
        rows,
    )
