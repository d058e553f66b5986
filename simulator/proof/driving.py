"""Varied healthy driving for the simulated car: streets, jabs, part throttle, shifts, pulls.

How often each is driven is invented (no source); boost comes and goes oftener than on a commute, so
that hours of spraying don't take weeks of driving.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

import numpy as np

from rules.channels import COLUMN_OF, NOT_SENT
from rules.facts import Rig
from rules.step.from_rig import constants_of
from simulator.plant import Do, Scenario, Step
from simulator.plant.noise import generator
from simulator.proof.population import Drawn

_DRIVE_S: Final = 400.0
_LEAST_DRIVE_S: Final = 30.0
_MOST_SPRAYED: Final = 0.6  # share of such a drive
_STREAM: Final = 4  # of a seed; plant and population have those below
_COARSE: Final = 0.25  # share of loggers
_STEPS: Final = 255.0  # of theirs
_COARSENED: Final = ("boost_kpa", "delivered_ml_min", "line_kpa")


@dataclass(frozen=True, slots=True)
class Outing:
    """A healthy drive, and how it is logged.

    Attributes:
        scenario: The drive; its seed is the car.
        coarse: Whether boost, flow and line pressure come in 8 bits over what is plausible.
    """

    scenario: Scenario
    coarse: bool

    def logged(self, rows: Any) -> Any:
        """Return (n, ROW_WIDTH) rows as this outing's logger writes them."""
        if not self.coarse:
            return rows
        rows = rows.copy()
        for terms in self.scenario.rig.channels:
            span = terms.high - terms.low
            if terms.name in _COARSENED and isfinite(span):
                column = rows[:, COLUMN_OF[terms.name]]
                step = span / _STEPS
                sent = column != NOT_SENT
                column[sent] = step * np.round(column[sent] / step)
        return rows


def outing(car: Rig, drawn: Drawn) -> Outing:
    """Return the outing of a car that was drawn.

    It lasts some seven minutes, or less where a full tank would run low before.

    Args:
        car: The cars' rig.
        drawn: Which car, on which day.
    """
    rng = generator(drawn.seed, _STREAM)
    coarse = bool(rng.random() < _COARSE)
    lasts_s, top = _lasts_s(car), len(car.vehicle.gears)
    steps = [Step(Do.IDLE, float(rng.uniform(2.0, 8.0)))]
    while sum(step.for_s for step in steps) < lasts_s:
        steps += _PIECES[int(rng.choice(len(_PIECES), p=_OFTEN))](rng, top)
    scenario = Scenario(
        f"healthy_{drawn.number}",
        "healthy driving",
        car,
        (*steps, Step(Do.LIFT, 3.0)),
        rate_hz=drawn.rate_hz,
        seed=drawn.seed,
        ambient_c=drawn.ambient_c,
        spread=drawn.spread,
    )
    return Outing(scenario, coarse)


def _lasts_s(rig: Rig) -> float:
    full_ml_s = constants_of(rig).full_ml_min / 60.0
    left_ml = rig.watch.tank_reserve_ml + rig.watch.tank_time_s * full_ml_s
    sprays_s = (rig.spray.tank_ml - left_ml) / full_ml_s
    return min(max(sprays_s / _MOST_SPRAYED, _LEAST_DRIVE_S), _DRIVE_S)


def _street(rng: Any, top: int) -> list[Step]:
    """Stop and go: away from a light, along, and to the next."""
    gear = _gear(rng, 2, min(top, 4))
    return [
        Step(Do.CRUISE, float(rng.uniform(3.0, 8.0)), 2, float(rng.uniform(15.0, 45.0))),
        Step(Do.CRUISE, float(rng.uniform(3.0, 10.0)), gear, float(rng.uniform(8.0, 35.0))),
        Step(Do.LIFT, float(rng.uniform(2.0, 5.0))),
        Step(Do.IDLE, float(rng.uniform(2.0, 8.0))),
    ]


def _jabs(rng: Any, top: int) -> list[Step]:
    """Short stabs at the throttle, most of them shorter than boost takes to come."""
    gear = _gear(rng, 2, min(top, 4))
    steps = [Step(Do.CRUISE, float(rng.uniform(2.0, 4.0)), gear)]
    for _ in range(int(rng.integers(3, 10))):
        steps += [
            Step(Do.PULL, float(rng.uniform(0.15, 1.5)), gear, float(rng.uniform(50.0, 100.0))),
            Step(Do.CRUISE, float(rng.uniform(0.2, 1.5)), gear, float(rng.uniform(3.0, 25.0))),
        ]
    return steps


def _part(rng: Any, top: int) -> list[Step]:
    """Up a hill at part throttle, with a foot that wanders."""
    gear = _gear(rng, 3, top)
    steps = [Step(Do.CRUISE, float(rng.uniform(2.0, 4.0)), gear)]
    steps += [
        Step(Do.PULL, float(rng.uniform(0.5, 4.0)), gear, float(rng.uniform(40.0, 95.0)))
        for _ in range(int(rng.integers(4, 10)))
    ]
    return [*steps, Step(Do.LIFT, float(rng.uniform(2.0, 4.0)))]


def _pull(rng: Any, top: int) -> list[Step]:
    """Full throttle, through the gears where it lasts."""
    gear = _gear(rng, 2, top)
    return [
        Step(Do.CRUISE, float(rng.uniform(0.5, 2.5)), gear),
        Step(Do.PULL, float(rng.uniform(2.0, 11.0)), gear),
        Step(Do.LIFT, float(rng.uniform(1.0, 3.5))),
    ]


def _shifts(rng: Any, top: int) -> list[Step]:
    """Shifting up early, under load."""
    first = _gear(rng, 2, 3)
    throttle_pct = float(rng.choice([100.0, float(rng.uniform(60.0, 95.0))]))
    steps = [Step(Do.CRUISE, float(rng.uniform(1.0, 3.0)), min(first, top))]
    steps += [
        Step(Do.PULL, float(rng.uniform(0.7, 3.0)), gear, throttle_pct)
        for gear in range(first, min(top, first + 2) + 1)
    ]
    return [*steps, Step(Do.LIFT, float(rng.uniform(2.0, 4.0)))]


def _cruise(rng: Any, top: int) -> list[Step]:
    return [
        Step(Do.CRUISE, float(rng.uniform(4.0, 15.0)), _gear(rng, 3, top)),
        Step(Do.LIFT, float(rng.uniform(1.0, 3.0))),
    ]


def _gear(rng: Any, low: int, high: int) -> int:
    """Return a gear; a car with fewer uses its top gear."""
    return min(int(rng.integers(low, max(high, low) + 1)), high)


_PIECES: Final[tuple[Callable[[Any, int], list[Step]], ...]] = (
    *(_street, _jabs, _part, _pull, _shifts, _cruise),
)
_OFTEN: Final = (0.06, 0.18, 0.25, 0.27, 0.18, 0.06)
