"""Healthy driving: throttle, engine speed and boost over time, from streets to dyno.

Everything here is invented (no source): it only has to move as cars move, and owe nothing to the
plant or to the rules, so that a mistake made there is not made again here.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.signal import lfilter

from rules.facts import Charger, Rig

STEP_S: Final = 0.002
IDLE_RPM: Final = 850.0


@dataclass(frozen=True, slots=True)
class Drive:
    """What the driver and the engine do, each an array of length n, ``STEP_S`` apart.

    Attributes:
        throttle: 0 to 1.
        engine_speed_rpm: Crankshaft speed.
        boost_kpa: Gauge.
    """

    throttle: Any
    engine_speed_rpm: Any
    boost_kpa: Any


def smoothed(x: Any, lag_s: float) -> Any:
    """Return a signal through a first-order lag, exact for a held input."""
    kept = float(np.exp(-STEP_S / lag_s))
    return lfilter([1.0 - kept], [1.0, -kept], x, zi=[kept * x[0]])[0]


class _Knots:
    """Corners of throttle and engine speed, joined by straight lines."""

    def __init__(self) -> None:
        self.at_s = [0.0]
        self.throttle = [0.0]
        self.speed = [IDLE_RPM]

    def to(self, for_s: float, throttle: float, speed_rpm: float) -> None:
        self.at_s.append(self.at_s[-1] + max(for_s, 0.01))
        self.throttle.append(throttle)
        self.speed.append(speed_rpm)

    def hold(self, for_s: float) -> None:
        self.to(for_s, self.throttle[-1], self.speed[-1])


def _pull(knots: _Knots, rng: Any, redline: float) -> None:
    """Full throttle through one to three gears, lifting or not at each shift."""
    speed = float(rng.uniform(0.3, 0.5)) * redline
    knots.to(0.3, 0.3, speed)
    throttle = float(rng.choice([1.0, 1.0, 0.85]))
    for _ in range(int(rng.integers(1, 4))):
        knots.to(float(rng.uniform(0.08, 0.4)), throttle, speed)
        top = float(rng.uniform(0.85, 0.94)) * redline
        knots.to(float(rng.uniform(1.5, 5.0)), throttle, top)
        shift_s = float(rng.uniform(0.1, 0.4))
        speed = 0.68 * top
        knots.to(0.05, float(rng.choice([0.0, 0.0, throttle])), top)
        knots.to(shift_s, knots.throttle[-1], speed)
    knots.to(float(rng.uniform(0.05, 0.4)), 0.0, speed)
    knots.to(2.5, 0.0, 0.3 * redline)


def _jabs(knots: _Knots, rng: Any, redline: float) -> None:
    """Short stabs at the throttle."""
    speed = float(rng.uniform(0.35, 0.75)) * redline
    knots.to(1.0, 0.2, speed)
    for _ in range(int(rng.integers(3, 9))):
        knots.to(0.06, float(rng.uniform(0.5, 1.0)), speed)
        knots.hold(float(rng.uniform(0.1, 1.0)))
        knots.to(0.06, float(rng.uniform(0.0, 0.25)), speed)
        knots.hold(float(rng.uniform(0.2, 1.2)))


def _part(knots: _Knots, rng: Any, redline: float) -> None:
    """Up a hill at part throttle, with a foot that wanders."""
    speed = float(rng.uniform(0.4, 0.7)) * redline
    knots.to(1.5, 0.4, speed)
    for _ in range(int(rng.integers(3, 9))):
        speed = min(
            max(speed + float(rng.normal(0.0, 0.03)) * redline, 0.3 * redline), 0.9 * redline
        )
        knots.to(float(rng.uniform(0.4, 2.5)), float(rng.uniform(0.4, 0.95)), speed)
    knots.to(0.4, 0.1, speed)


def _dyno(knots: _Knots, rng: Any, redline: float) -> None:
    """Held by a brake at one engine speed, at full or part throttle."""
    speed = float(rng.uniform(0.45, 0.9)) * redline
    knots.to(2.0, 0.3, speed)
    knots.to(0.5, float(rng.uniform(0.6, 1.0)), speed)
    knots.hold(float(rng.uniform(4.0, 12.0)))
    knots.to(0.3, 0.0, speed)
    knots.to(2.0, 0.0, 0.35 * redline)


def _cruise(knots: _Knots, rng: Any, redline: float) -> None:
    knots.to(2.0, float(rng.uniform(0.08, 0.3)), float(rng.uniform(0.25, 0.45)) * redline)
    for _ in range(int(rng.integers(1, 5))):
        knots.to(
            float(rng.uniform(2.0, 8.0)),
            float(rng.uniform(0.05, 0.35)),
            float(rng.uniform(0.25, 0.45)) * redline,
        )


def _idle(knots: _Knots, rng: Any, redline: float) -> None:
    knots.to(2.0, 0.0, IDLE_RPM)
    knots.hold(float(rng.uniform(3.0, 15.0)))


_PIECES: Final = (_pull, _jabs, _part, _dyno, _cruise, _idle)
_OFTEN: Final = (0.27, 0.15, 0.15, 0.08, 0.25, 0.10)


def make_drive(rng: Any, rig: Rig, length_s: float) -> Drive:
    """Return ``length_s`` of healthy driving (s, more than 0) in a car like this rig's."""
    knots = _Knots()
    while knots.at_s[-1] < length_s:
        rng.choice(_PIECES, p=_OFTEN)(knots, rng, rig.engine.redline_rpm)
    at_s = np.arange(0.0, length_s, STEP_S)
    throttle = smoothed(np.interp(at_s, knots.at_s, knots.throttle), 0.03)
    speed = smoothed(np.interp(at_s, knots.at_s, knots.speed), 0.08)
    return Drive(throttle, speed, _boost(rng, rig, throttle, speed))


def _boost(rng: Any, rig: Rig, throttle: Any, speed: Any) -> Any:
    """Charger behind a throttle plate: whichever allows less."""
    top = rig.paid.boost_kpa[-1] * float(rng.uniform(0.92, 1.02))
    wander = smoothed(rng.normal(0.0, 1.0, len(speed)), 2.0) * 0.5
    if rig.engine.charger is Charger.TURBOCHARGER:
        ready = np.clip(speed / rig.engine.redline_rpm * 3.2 - 0.8, 0.0, 1.0)
        charger = smoothed(top * ready * np.clip(1.4 * throttle - 0.2, 0.0, 1.0), 0.3)
        charger = smoothed(charger, 0.06)
    else:
        charger = top * (0.85 + 0.15 * speed / rig.engine.redline_rpm)
    plate = smoothed(-72.0 + (72.0 + 1.1 * top) * np.clip(throttle * 1.7, 0.0, 1.0) ** 0.7, 0.04)
    return np.minimum(charger, plate) * (1.0 + 0.01 * wander)
