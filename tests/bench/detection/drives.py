"""Drives of drawn cars: boost, true flow with its own delay and lag, the sensor's noise, faults.

The command comes from the rules' own command law; the flow does not: delay, lag, gain and noise are
drawn for every car, within what its rig states, and none of them is what the rig says. How people
drive is invented, of the order found on roads; no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numba
import numpy as np

from rules import channels as ch
from rules.facts import FlowSensor, Rig
from rules.step import command, compiled, from_rig
from simulator.rig import find_rig, load_rig

FINE_S: Final = 0.005  # the world's own step; rows are picked from it
PLENTY: Final = 0.4  # of full flow: a fault begins only where spray matters
SPRAYING: Final = 0.1  # of full flow: from there on time counts as spraying
FAULTS: Final[Mapping[str, float]] = {
    "pump stop": 1.0,
    "60 % missing": 0.6,
    "40 % missing": 0.4,
    "25 % missing": 0.25,
    "15 % missing": 0.15,
    "10 % missing": 0.1,
}
TUNING, EVALUATION, HEALTHY = range(3)
assert compiled.run_all  # imported for what it does: the command law can now be compiled
_commanded = command.commanded_flow_ml_min


@dataclass(frozen=True, slots=True)
class World:
    """How a car is driven and logged.

    Attributes:
        name: How tables call it.
        rate_hz: Rows a second.
        jitter: How far off its time a row is, either way, as a share of the time between rows.
        jabs: Share of the bouts that are jabs at the pedal.
        shifts: How much more often gears are shifted.
        noise: The flow sensor's, as the rig has it; None: as the rig ships.
        noise_lasts_s: The same.
        refresh_s: How long the flow sensor holds a reading.
        boost_step_kpa: Step of the logged boost.
        flow_step_ml_min: Step of the logged flow.
        at_edge: Whether delay, lag and gain are all as far off as the rig allows.
    """

    name: str = "nominal"
    rate_hz: float = 100.0
    jitter: float = 0.0
    jabs: float = 0.0
    shifts: float = 1.0
    noise: float | None = None
    noise_lasts_s: float | None = None
    refresh_s: float = 0.0
    boost_step_kpa: float = 0.5
    flow_step_ml_min: float = 1.0
    at_edge: bool = False


@dataclass(frozen=True, slots=True)
class Car:
    """What differs from car to car: the flow sensor's delay, lag and gain (to the true flow)."""

    delay_s: float
    lag_s: float
    gain: float


@dataclass(frozen=True, slots=True)
class Drive:
    """One drive of one car; ``rows_of`` turns it into samples.

    Attributes:
        car: The car.
        rig: Its rig, as the world has it.
        commanded_ml_min: What is truly asked for, by the world's steps.
        noise: Of the flow sensor, as a share, by the world's steps.
        floor_ml_min: Its noise that is there without flow.
        at: For each row, the world's step at which it was logged.
        rows: The rows, (n, ``ROW_WIDTH``), healthy.
        world: How it was driven.
        held_from: For each row, the world's step of the flow reading that it shows.
    """

    car: Car
    rig: Rig
    world: World
    commanded_ml_min: Any
    noise: Any
    floor_ml_min: Any
    at: Any
    held_from: Any
    rows: Any

    def spraying(self, share: float = SPRAYING) -> Any:
        """Return for each row whether so much of full flow, or more, is asked for."""
        full_ml_min = from_rig.constants_of(self.rig).full_ml_min
        return self.commanded_ml_min[self.at] >= share * full_ml_min


def shipped_rig(name: str) -> Rig:
    """Return a shipped rig with no other channels than it judges the flow by."""
    facts = load_rig(find_rig(name)).rig
    essential = {ch.CHANNEL_NAMES[column - 1] for column in from_rig.essential_columns(facts)}
    channels = tuple(terms for terms in facts.channels if terms.name in essential)
    return replace(facts, channels=channels)


def rig_in(world: World, facts: Rig) -> Rig:
    """Return the rig of someone who knows this world: its noise, refresh period and steps."""
    sensor = facts.flow_sensor
    stated = replace(
        sensor,
        noise=sensor.noise if world.noise is None else world.noise,
        noise_lasts_s=sensor.noise_lasts_s if world.noise_lasts_s is None else world.noise_lasts_s,
        refresh_s=world.refresh_s,
        floor_ml_min=max(sensor.floor_ml_min, world.flow_step_ml_min),
    )
    return replace(facts, flow_sensor=stated)


def draw_car(rng: np.random.Generator, sensor: FlowSensor, at_edge: bool = False) -> Car:
    """Draw a car: any within the tolerances is as likely, or at their edges alone."""
    off = rng.uniform(-1.0, 1.0, 3)
    if at_edge:
        off = np.where(off < 0.0, -1.0, 1.0)
    return Car(
        sensor.delay_s + sensor.delay_within_s * float(off[0]),
        sensor.lag_s + sensor.lag_within_s * float(off[1]),
        1.0 + sensor.gain_within * float(off[2]),
    )


def fitted(rng: np.random.Generator, facts: Rig, car: Car) -> Rig:
    """Return the rig of a car whose delay, lag and gain were measured: 10 ms, 20 % and 3 %.

    What it says is off by as much as it says it may be, or less. Nozzles and pump rated ``gain``
    times as large give ``gain`` times the flow at any pressure.
    """
    off = rng.uniform(-1.0, 1.0, 3)
    lag_s = car.lag_s / (1.0 + 0.2 * float(off[1]))
    gain = car.gain / (1.0 + 0.03 * float(off[2]))
    sensor = replace(
        facts.flow_sensor,
        delay_s=car.delay_s + 0.01 * float(off[0]),
        delay_within_s=0.01,
        lag_s=lag_s,
        lag_within_s=0.2 * lag_s,
        gain_within=0.03,
    )
    nozzles = tuple(
        replace(nozzle, rated_ml_min=nozzle.rated_ml_min * gain) for nozzle in facts.spray.nozzles
    )
    pump = replace(facts.spray.pump, free_flow_ml_min=facts.spray.pump.free_flow_ml_min * gain)
    spray = replace(facts.spray, nozzles=nozzles, pump=pump)
    return replace(facts, flow_sensor=sensor, spray=spray)


@numba.njit(cache=True)
def _boost(target: Any, closed: Any, spool_s: float, out: Any) -> None:
    """Boost follows its target: slowly up, faster once spun up, at once down."""
    boost = 5.0
    wheel = 0.0  # how spun up the compressor is, 0 to 1
    for j in range(len(target)):
        if closed[j]:
            boost += (-20.0 - boost) * FINE_S / 0.09
            wheel += (0.35 - wheel) * FINE_S / 0.8
        else:
            wheel += (1.0 - wheel) * FINE_S / spool_s
            boost += (target[j] * wheel - boost) * FINE_S / 0.12
        out[j] = boost


@numba.njit  # not cached: the cache misses edits in imported functions (numba/numba#9483)
def _command(constants: Any, boost: Any, duty: Any, out: Any) -> None:
    k = constants[0]
    for j in range(len(boost)):
        out[j] = _commanded(k, boost[j], duty[j], 0.0, 0.0)


@numba.njit(cache=True)
def flow_past(commanded: Any, fails_at: int, works: float, delay_s: float, lag_s: float) -> Any:
    """What passes the sensor: command x share that works, one delay ago, through the lag."""
    out = np.empty(len(commanded))
    kept = np.exp(-FINE_S / lag_s)
    whole = int(delay_s / FINE_S)
    part = delay_s / FINE_S - whole
    flow = 0.0
    for j in range(len(commanded)):
        late = max(j - whole, 0)
        later = max(late - 1, 0)
        new = commanded[late] * (works if late >= fails_at else 1.0)
        old = commanded[later] * (works if later >= fails_at else 1.0)
        asked = new + part * (old - new)
        flow = asked + (flow - asked) * kept
        out[j] = flow
    return out


@numba.njit(cache=True)
def _correlate(white: Any, lasts_s: float) -> None:
    """Turn independent numbers of variance 1 into such with correlation exp(-t / ``lasts_s``)."""
    keep = np.exp(-FINE_S / lasts_s)
    scale = np.sqrt(1.0 - keep * keep)
    for j in range(1, len(white)):
        white[j] = keep * white[j - 1] + scale * white[j]


def _correlated(rng: np.random.Generator, n: int, lasts_s: float) -> Any:
    white = rng.normal(size=n)
    _correlate(white, lasts_s)
    return white


def _throttle(rng: np.random.Generator, n: int, world: World) -> tuple[Any, Any, Any]:
    """Draw what the driver does.

    Returns:
        By the world's steps: where the throttle is closed, how hard it is pressed (0 to 1), and how
        far a gear has been revved out (0 to 1).
    """
    closed, pressed, revved = np.ones(n, dtype=bool), np.zeros(n), np.zeros(n)
    at = round(rng.uniform(0.3, 0.6) / FINE_S)
    while at < n:
        jabs = rng.random() < world.jabs
        peak = rng.uniform(0.75, 1.0)
        swing = rng.uniform(0.1, 0.35) * (rng.random() < 0.35)  # led up and down by the pedal
        rate_hz, phase = rng.uniform(0.15, 0.9), rng.uniform(0.0, 2.0 * np.pi)
        for _ in range(rng.integers(3, 7 if jabs else 6)):
            open_s = rng.uniform(0.1, 0.5) if jabs else rng.uniform(1.4, 3.2) / world.shifts
            at, end = min(n, at), min(n, at + round(open_s / FINE_S))
            time_s = np.arange(at, end) * FINE_S
            closed[at:end] = False
            wave = np.sin(2.0 * np.pi * rate_hz * time_s + phase)
            pressed[at:end] = peak * (1.0 - swing + swing * wave)
            revved[at:end] = np.linspace(0.0, 1.0, end - at)
            at = end + round((rng.uniform(0.1, 0.6) if jabs else rng.uniform(0.12, 0.35)) / FINE_S)
        at += round(rng.uniform(0.1, 1.0) / FINE_S)
    return closed, pressed, revved


def drive(rng: np.random.Generator, facts: Rig, world: World, for_s: float) -> Drive:
    """Draw a car of this rig and drive it.

    Args:
        rng: Where the chances come from.
        facts: The rig as it ships; the drive's own states what is peculiar to the world.
        world: How it is driven and logged.
        for_s: How long, s.
    """
    facts = rig_in(world, facts)
    sensor = facts.flow_sensor
    car = draw_car(rng, sensor, world.at_edge)
    n = round(for_s / FINE_S)
    closed, pressed, revved = _throttle(rng, n, world)
    most_kpa = max(facts.paid.boost_kpa)
    boost = np.empty(n)
    _boost(most_kpa * pressed, closed, rng.uniform(0.25, 0.7), boost)
    boost += 1.5 * _correlated(rng, n, 0.1)
    duty = np.where(closed, 3.0, 25.0 + 55.0 * boost / most_kpa * (0.75 + 0.25 * revved))
    np.clip(duty, 2.0, 100.0, out=duty)
    commanded = np.empty(n)
    _command(from_rig.constants_of(facts).array(), boost, duty, commanded)
    noise = sensor.noise * _correlated(rng, n, sensor.noise_lasts_s)
    floor_ml_min = 0.8 * facts.flow_sensor.floor_ml_min / from_rig.FLOOR_SDS * rng.normal(size=n)

    period = 1.0 / world.rate_hz / FINE_S
    due = np.arange(1.0, n / period - 1.0) * period
    due += world.jitter * period * rng.uniform(-1.0, 1.0, len(due))
    at = np.unique(np.clip(np.round(due).astype(int), 0, n - 1))
    held_from = at
    if world.refresh_s > 0.0:
        every = world.refresh_s / FINE_S
        first = rng.uniform(0.0, every)
        held_from = np.maximum((first + np.floor((at - first) / every) * every).astype(int), 0)
    rows = np.full((len(at), ch.ROW_WIDTH), ch.NOT_SENT)
    rows[:, ch.OPERATOR] = ch.OPERATOR_NOTHING
    rows[:, ch.TIME] = at * FINE_S
    logged = boost[at] + rng.normal(0.0, 0.4, len(at))
    rows[:, ch.BOOST] = world.boost_step_kpa * np.round(logged / world.boost_step_kpa)
    rows[:, ch.INJECTOR_DUTY] = 0.5 * np.round(2.0 * (duty[at] + rng.normal(0.0, 0.3, len(at))))
    np.maximum(rows[:, ch.INJECTOR_DUTY], 0.0, out=rows[:, ch.INJECTOR_DUTY])
    made = Drive(car, facts, world, commanded, noise, floor_ml_min, at, held_from, rows)
    rows[:, ch.DELIVERED] = delivered(made)
    return made


def delivered(made: Drive, missing: float = 0.0, from_row: int | None = None) -> Any:
    """Return what the flow sensor reads in each row of a drive, mL/min.

    Args:
        made: The drive.
        missing: Share of the commanded flow that is missing from some row on, 0 to 1.
        from_row: That row.
    """
    fails_at = len(made.commanded_ml_min) if from_row is None else int(made.at[from_row])
    car = made.car
    flow = flow_past(made.commanded_ml_min, fails_at, 1.0 - missing, car.delay_s, car.lag_s)
    seen = made.held_from
    reading = car.gain * flow[seen] * (1.0 + made.noise[seen]) + made.floor_ml_min[seen]
    step_ml_min = made.world.flow_step_ml_min
    return np.maximum(step_ml_min * np.round(reading / step_ml_min), 0.0)


def stream(seed: int, *of: int) -> np.random.Generator:
    """Return the generator of one drive; ``of`` says which: half, rig, number. None shares any."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=of))


def onset_row(rng: np.random.Generator, made: Drive, from_s: float, until_s: float) -> int:
    """Return a row in which plenty is sprayed, any within the times as likely as another."""
    time_s = made.rows[:, ch.TIME]
    within = (time_s >= from_s) & (time_s < until_s)
    eligible = np.flatnonzero(within & made.spraying(PLENTY))
    if len(eligible) == 0:
        return int(np.argmax(np.where(within, made.commanded_ml_min[made.at], -1.0)))
    return int(rng.choice(eligible))
