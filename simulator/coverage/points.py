"""Operating points: a short drive each, and the moment on it at which a fault begins."""

from dataclasses import dataclass, replace
from math import inf, isfinite, nan
from typing import Final

from rules.facts import Charger, Rig
from simulator.plant import Do, Fault, Scenario, Step
from simulator.plant.sizing import peak_kpa

PART: Final = -1.0  # stands for the throttle at which boost settles below the usual dry limit
_PART_PCT: Final = {Charger.TURBOCHARGER: 57.0, Charger.NONE: 24.0}
_PART_BLOWN_PCT: Final = 64.0
_OWN_PULL_S: Final = 8.0


@dataclass(frozen=True, slots=True)
class Point:
    """An operating point.

    Attributes:
        key: Its name in a column's head, at most seven characters.
        what: What it is, in words.
        drive: The driver's steps.
        at_s: A fault begins no earlier.
        above: Nor before boost is above this share of the way from onset to peak boost.
        below: Nor before boost is below this share of it.
        gear: Nor in another gear (0: any).
    """

    key: str
    what: str
    drive: tuple[Step, ...]
    at_s: float
    above: float = -inf
    below: float = inf
    gear: int = 0

    def scenario(self, rig: Rig, faults: tuple[Fault, ...]) -> Scenario:
        """Return the drive with faults that begin at this point.

        Args:
            rig: The car; where it has fewer gears, its top gear stands for those it lacks.
            faults: What goes wrong; their times and conditions are replaced.
        """
        top = len(rig.vehicle.gears)
        onset_kpa = rig.command.start_boost_kpa
        span_kpa = peak_kpa(rig, nan) - onset_kpa
        above_kpa = onset_kpa + self.above * span_kpa if isfinite(self.above) else -inf
        below_kpa = onset_kpa + self.below * span_kpa if isfinite(self.below) else inf
        begun = tuple(
            replace(
                fault,
                at_s=self.at_s,
                above_boost_kpa=above_kpa,
                below_boost_kpa=below_kpa,
                gear=min(self.gear, top),
            )
            for fault in faults
        )
        part_pct = _PART_PCT.get(rig.engine.charger, _PART_BLOWN_PCT)
        drive = tuple(
            replace(
                step,
                gear=min(step.gear, top),
                throttle_pct=part_pct if step.throttle_pct == PART else step.throttle_pct,
            )
            for step in self.drive
        )
        return Scenario(self.key, self.what, rig, drive, begun)


def own_point(
    rig: Rig, gear: int, boost_kpa: tuple[float, float], throttle_pct: float = nan
) -> Point:
    """Return a point of one's own: a pull, and a window of boost in which a fault begins.

    Args:
        rig: The car.
        gear: In which a fault begins; 0: any, in a pull of gear 4.
        boost_kpa: From and to, gauge (infinite: no bound).
        throttle_pct: Pedal; NaN: full.
    """
    onset_kpa = rig.command.start_boost_kpa
    span_kpa = peak_kpa(rig, nan) - onset_kpa
    above, below = ((kpa - onset_kpa) / span_kpa for kpa in boost_kpa)
    drive = _pull(gear or 4, _OWN_PULL_S, throttle_pct)
    return Point("own", "a point of the file's own", drive, 2.0, above, below, gear)


def _pull(gear: int, for_s: float, throttle_pct: float = nan) -> tuple[Step, ...]:
    return (
        Step(Do.CRUISE, 2.0, gear),
        Step(Do.PULL, for_s, gear, throttle_pct),
        Step(Do.LIFT, 3.0),
    )


POINTS: Final = (
    Point("spool", "boost rising through the onset, gear 3", _pull(3, 6.0), 2.0, above=0.3),
    Point("low", "full boost, gear 2", _pull(2, 6.0), 2.0, above=0.9, gear=2),
    Point("high", "full boost, gear 4", _pull(4, 7.0), 2.0, above=0.9),
    Point("part", "steady boost at part throttle, gear 4", _pull(4, 8.0, PART), 5.0, above=0.05),
    Point("shift", "the shift from gear 2 to 3 in a pull", _pull(2, 8.0), 2.5, gear=3),
    Point(
        "cruise",
        "cruise in vacuum, 2 s before a pull in gear 3",
        (
            Step(Do.CRUISE, 4.0, 3),
            Step(Do.PULL, 5.0, 3),
            Step(Do.LIFT, 3.0),
        ),
        2.0,
        below=0.0,
    ),
    Point(
        "lift",
        "throttle shut after a pull, 2.5 s before the next one",
        (
            Step(Do.CRUISE, 2.0, 3),
            Step(Do.PULL, 3.0, 3),
            Step(Do.LIFT, 2.5),
            Step(Do.PULL, 4.5, 3),
            Step(Do.LIFT, 3.0),
        ),
        5.0,
        below=0.5,
    ),
)
"""The operating points, in the order of the table's columns."""
