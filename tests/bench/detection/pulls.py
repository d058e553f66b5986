"""Pulls of an invented car: boost, true flow with its own delay and lag, sensor, and faults.

The command comes from the rules' own command law; the flow does not: delay, lag, gain, fluid and
noise are drawn here for every pull, and none of them is what the rig says. Ranges are invented, of
the order found on cars; no source.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

import numba
import numpy as np
from numba.extending import register_jitable

from rules.facts import CommandKind, Rig
from rules.step import arithmetic, command, hydraulics
from rules.step.from_rig import constants_of
from tests.kit.rigs import rig, terms

RATE_HZ: Final = 100.0
DT_S: Final = 0.01
PULL_S: Final = 8.0
N_SAMPLES: Final = 800
LEAST_LEFT_S: Final = 2.5  # of a pull, after a fault's onset
SPRAYING_SHARE: Final = 0.4  # of full command: a fault begins only where spray matters
FADE_TO: Final = 0.4  # of what is commanded, over FADE_S
FADE_S: Final = 3.0
OFF_S: Final = 0.2
ON_S: Final = 0.3

TUNING: Final = 0
EVALUATION: Final = 1

for _module in (arithmetic, hydraulics, command):
    for _value in list(vars(_module).values()):
        if callable(_value) and getattr(_value, "__module__", "") == _module.__name__:
            register_jitable(_value)
_commanded = command.commanded_flow_ml_min


class Fault(Enum):
    """What goes wrong, from an onset while spraying; the value is how tables call it."""

    NONE = "healthy"
    PUMP_STOP = "pump stop"
    SHORT_60 = "60 % short"
    SHORT_40 = "40 % short"
    SHORT_25 = "25 % short"
    FADE = "fade to 40 % in 3 s"
    INTERMITTENT = "0.2 s off, 0.3 s on"


FAULTS: Final[tuple[Fault, ...]] = tuple(fault for fault in Fault if fault is not Fault.NONE)
_MISSING: Final = {
    Fault.NONE: 0.0,
    Fault.PUMP_STOP: 1.0,
    Fault.SHORT_60: 0.6,
    Fault.SHORT_40: 0.4,
    Fault.SHORT_25: 0.25,
    Fault.FADE: 1.0 - FADE_TO,
    Fault.INTERMITTENT: 1.0,
}


@dataclass(frozen=True, slots=True)
class Cars:
    """What differs from car to car; arrays of one length.

    Attributes:
        delay_s: Transport delay from command to sensor, 0.04 to 0.12 s.
        lag_s: First-order lag on top, warm, 0.06 to 0.14 s.
        gain: Reading over true flow, 1 +- 0.04 (normal).
    """

    delay_s: Any
    lag_s: Any
    gain: Any

    def __len__(self) -> int:
        return len(self.gain)

    def __getitem__(self, at: Any) -> "Cars":
        return Cars(self.delay_s[at], self.lag_s[at], self.gain[at])


@dataclass(frozen=True, slots=True)
class Pulls:
    """Many pulls: matrices (pulls, samples) of what the log holds, and where the fault began.

    Attributes:
        boost_kpa: Logged boost, gauge.
        delivered_ml_min: Logged flow.
        onset: Sample at which the fault begins; -1 in healthy pulls.
        cars: Whose pulls they are.
        spraying: Share of samples with spray commanded above ``SPRAYING_SHARE`` of full.
    """

    boost_kpa: Any
    delivered_ml_min: Any
    onset: Any
    cars: Cars
    spraying: float

    def __len__(self) -> int:
        return len(self.onset)


def bench_rig() -> Rig:
    """Return the invented car's rig: spray in proportion to boost, the shipped debt terms."""
    return rig(
        command={"kind": CommandKind.BOOST, "start_boost_kpa": 60.0, "full_boost_kpa": 150.0},
        spray={"transport_delay_s": 0.08, "lag_s": 0.1},
        debt={"share": 0.12, "floor_ml_min": 20.0, "delay_tolerance_s": 0.06},
        channels=terms("boost_kpa", "delivered_ml_min"),
    )


def streams(seed: int, half: int, count: int) -> list[np.random.Generator]:
    """Return generators for one half of the bench; tuning and evaluation never share one.

    Args:
        seed: The bench's seed.
        half: ``TUNING`` or ``EVALUATION``: the first number of every spawn key.
        count: How many.
    """
    root = np.random.SeedSequence(seed, spawn_key=(half,))
    return [np.random.default_rng(child) for child in root.spawn(count)]


def draw_cars(rng: np.random.Generator, n: int) -> Cars:
    """Draw ``n`` cars."""
    return Cars(
        rng.uniform(0.04, 0.12, n), rng.uniform(0.06, 0.14, n), 1.0 + 0.04 * rng.normal(size=n)
    )


@numba.njit(cache=True)
def _boost(target: Any, closed: Any, spool_s: Any, noise: Any, out: Any) -> None:
    """Boost follows its target: slowly up, faster once spun up, at once down."""
    for i in range(target.shape[0]):
        boost = 5.0
        wheel = 0.0  # how spun up the compressor is, 0 to 1
        for j in range(target.shape[1]):
            if closed[i, j] > 0.0:
                boost += (-20.0 - boost) * DT_S / 0.09
                wheel += (0.35 - wheel) * DT_S / 0.8
            else:
                wheel += (1.0 - wheel) * DT_S / spool_s[i]
                reach = target[i, j] * wheel
                boost += (reach - boost) * DT_S / 0.12
            out[i, j] = boost + noise[i, j]


@numba.njit  # not cached: the cache misses edits in imported functions (numba/numba#9483)
def _command(constants: Any, boost: Any, out: Any) -> None:
    k = constants[0]
    for i in range(boost.shape[0]):
        for j in range(boost.shape[1]):
            out[i, j] = _commanded(k, boost[i, j], 0.0, 0.0, 0.0)


@numba.njit(cache=True)
def _flow(commanded: Any, share: Any, delay_s: Any, lag_s: Any, out: Any) -> None:
    """What passes the sensor: command x share that works, one delay ago, through the lag."""
    for i in range(commanded.shape[0]):
        kept = np.exp(-DT_S / lag_s[i])
        back = delay_s[i] / DT_S
        whole = int(back)
        part = back - whole
        flow = 0.0
        for j in range(commanded.shape[1]):
            late = max(j - whole, 0)
            later = max(j - whole - 1, 0)
            new = commanded[i, late] * share[i, late]
            old = commanded[i, later] * share[i, later]
            asked = new + part * (old - new)
            flow = asked + (flow - asked) * kept
            out[i, j] = flow


def _correlated(rng: np.random.Generator, shape: tuple[int, int], tau_s: float) -> Any:
    """Unit-variance noise with correlation exp(-t / tau)."""
    keep = np.exp(-DT_S / tau_s)
    out = rng.normal(size=shape)
    scale = np.sqrt(1.0 - keep * keep)
    for j in range(1, shape[1]):
        out[:, j] = keep * out[:, j - 1] + scale * out[:, j]
    return out


def _drive(rng: np.random.Generator, n: int) -> tuple[Any, Any]:
    """Draw what the driver does: boost asked for, and where the throttle is closed."""
    time_s = np.arange(N_SAMPLES) * DT_S
    peak = rng.uniform(120.0, 170.0, (n, 1))
    part = rng.random((n, 1)) < 0.35  # part throttle: a boost that is led up and down
    swing = rng.uniform(0.1, 0.35, (n, 1)) * part
    rate_hz = rng.uniform(0.15, 0.9, (n, 1))
    phase = rng.uniform(0.0, 2.0 * np.pi, (n, 1))
    target = peak * (1.0 - swing + swing * np.sin(2.0 * np.pi * rate_hz * time_s + phase))
    closed = np.zeros((n, N_SAMPLES))
    opened_s = rng.uniform(0.3, 0.6, (n, 1))
    closed[time_s < opened_s] = 1.0
    shift_s = opened_s + rng.uniform(1.4, 2.6, (n, 1))
    for _ in range(3):  # gear shifts, further apart from gear to gear
        for_s = rng.uniform(0.12, 0.35, (n, 1))
        closed[(time_s >= shift_s) & (time_s < shift_s + for_s)] = 1.0
        shift_s = shift_s + rng.uniform(1.6, 3.2, (n, 1))
    lifts = rng.random((n, 1)) < 0.3
    lift_s = rng.uniform(2.0, 7.0, (n, 1))
    for_s = rng.uniform(0.3, 0.9, (n, 1))
    closed[lifts & (time_s >= lift_s) & (time_s < lift_s + for_s)] = 1.0
    return target, closed


def working_share(fault: Fault, onset: Any) -> Any:
    """Return the share of the commanded flow that is pumped, (pulls, samples), 0 to 1."""
    since_s = (np.arange(N_SAMPLES)[None, :] - onset[:, None]) * DT_S
    active = (since_s >= 0.0) & (onset[:, None] >= 0)
    missing = np.where(active, _MISSING[fault], 0.0)
    if fault is Fault.FADE:
        missing = missing * np.clip(since_s / FADE_S, 0.0, 1.0)
    elif fault is Fault.INTERMITTENT:
        missing = np.where(np.mod(since_s + 1e-9, OFF_S + ON_S) < OFF_S, missing, 0.0)
    return 1.0 - missing


def make_pulls(rng: np.random.Generator, cars: Cars, fault: Fault = Fault.NONE) -> Pulls:
    """Make one pull for each car.

    Args:
        rng: Where the chances come from.
        cars: The cars.
        fault: What goes wrong while spraying, in every pull, at a random moment.
    """
    n = len(cars)
    facts = bench_rig()
    constants = constants_of(facts).array()
    target, closed = _drive(rng, n)
    boost = np.empty((n, N_SAMPLES))
    ripple = 1.5 * _correlated(rng, boost.shape, 0.1)
    _boost(target, closed, rng.uniform(0.25, 0.7, n), ripple, boost)
    commanded = np.empty_like(boost)
    _command(constants, boost, commanded)
    full = commanded.max()
    spraying = commanded > SPRAYING_SHARE * full
    onset = np.full(n, -1)
    if fault is not Fault.NONE:
        eligible = spraying.copy()
        eligible[:, : round(1.0 / DT_S)] = False
        eligible[:, N_SAMPLES - round(LEAST_LEFT_S / DT_S) :] = False
        onset = np.argmax(eligible * rng.random(eligible.shape), axis=1)
        onset[~eligible.any(axis=1)] = round(3.0 / DT_S)
    fluid_c = rng.uniform(-5.0, 55.0, n)
    cold = (40.0 - fluid_c) / 45.0  # 1 at -5 degC, -0.33 at 55 degC
    factor = cars.gain * (1.0 - 0.025 * cold)  # viscosity and density together
    lag_s = cars.lag_s * (1.0 + 0.3 * np.maximum(cold, 0.0))
    flow = np.empty_like(boost)
    _flow(commanded, working_share(fault, onset), cars.delay_s, lag_s, flow)
    flow *= factor[:, None]
    reading = flow * (1.0 + 0.04 * _correlated(rng, flow.shape, 0.05))
    reading = np.maximum(2.0 * np.round(0.5 * (reading + rng.normal(0.0, 2.0, flow.shape))), 0.0)
    logged = 0.5 * np.round(2.0 * (boost + rng.normal(0.0, 0.4, boost.shape)))
    return Pulls(logged, reading, onset, cars, float(spraying.mean()))
