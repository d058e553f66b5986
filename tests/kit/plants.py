"""A hand-made rig and its drives, for tests of the plant."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import inf

from rules.channels import CHANNELS, Sample
from rules.facts import (
    ChannelTerms,
    Command,
    CommandKind,
    DebtTerms,
    Engine,
    Injectors,
    Ladder,
    Limits,
    Nozzle,
    Paid,
    Pump,
    Rig,
    Spray,
)
from simulator.plant import Car, Do, Fault, FaultKind, Scenario, Step
from simulator.plant.car import NO_CEILING_KPA
from simulator.plant.hydraulics import PICK_UP_ML

Decide = Callable[[Sample], tuple[float, float]]

PEAK_KPA = 170.0
RIG = Rig(
    name="hand-made",
    engine=Engine(1.8, 4, 6800.0),
    injectors=Injectors(4, 800.0),
    spray=Spray(
        (Nozzle(300.0, 690.0),), Pump(1400.0, 1800.0, 1000.0), 926.0, 44.2, check_valve_kpa=20.0
    ),
    command=Command(CommandKind.BOOST, 60.0, 150.0),
    paid=Paid((60.0, 110.0, 150.0, PEAK_KPA), (0.0, 3.0, 6.0, 8.0), 80.0),
    debt=DebtTerms(),
    ladder=Ladder(),
    limits=Limits(),
    channels=tuple(ChannelTerms(c.name, c.low, c.high, c.max_age_s) for c in CHANNELS),
)
# Cruise, then a pull in a high gear without a shift; full boost from about 3.5 s to 9 s.
LONG_PULL = (Step(Do.CRUISE, 2.0, 4), Step(Do.PULL, 7.0, 4), Step(Do.LIFT, 1.0))
SHIFTS = (Step(Do.CRUISE, 1.0, 2), Step(Do.PULL, 6.0, 2), Step(Do.LIFT, 1.5))
ONSET_S = 5.0
STOP = Fault(FaultKind.PUMP_STOP, ONSET_S)


@dataclass(frozen=True, slots=True)
class Truth:
    """What is really happening; no sensor in between.

    Attributes:
        time_s: Time since the start, seconds.
        flow_ml_min: Flow out of the nozzles.
        missing: Share of the healthy flow that is missing, 0 to 1.
        boost_kpa: Manifold pressure, gauge.
        line_kpa: Line pressure behind the pump, gauge, mean over a stroke.
        tank_ml: Fluid left.
        charge_c: Charge temperature, degC.
        harm: Cumulative knock intensity: the sum over knocking cycles, 1 being clearly audible.
        knocks: Knocking cycles so far.
        heavy_knocks: Those that hurt.
        retard_deg: Retard from outside in force, degrees.
        ceiling_kpa: Boost ceiling from outside in force, kPa gauge.
        faults: Names of the active faults.
    """

    time_s: float = 0.0
    flow_ml_min: float = 0.0
    missing: float = 0.0
    boost_kpa: float = 0.0
    line_kpa: float = 0.0
    tank_ml: float = 0.0
    charge_c: float = 20.0
    harm: float = 0.0
    knocks: int = 0
    heavy_knocks: int = 0
    retard_deg: float = 0.0
    ceiling_kpa: float = inf
    faults: tuple[str, ...] = ()


def scenario(*faults: Fault, drive: tuple[Step, ...] = LONG_PULL, rig: Rig = RIG) -> Scenario:
    """Return a scenario of the hand-made rig."""
    return Scenario("test", "Nothing.", rig, drive, tuple(faults))


def truth_of(car: Car, what: Scenario) -> Truth:
    """Return what is really happening in a car on a drive."""
    s = car.state
    # A compiled car without faults has one that never begins.
    both = zip(what.faults, car.faults, strict=False)
    faults = [fault.kind.word for fault, now in both if now.now != 0.0]
    starved = s.air_share > 0.3 and s.air == 0.0  # slosh bares the pick-up early
    if (starved or s.tank_ml < PICK_UP_ML) and "empty_tank" not in faults:
        faults.append("empty_tank")
    return Truth(
        time_s=float(s.time_s),
        flow_ml_min=float(s.nozzle_ml_min),
        missing=float(s.missing),
        boost_kpa=float(s.boost_kpa),
        line_kpa=float(s.line_kpa),
        tank_ml=float(s.tank_ml),
        charge_c=float(s.charge_c),
        harm=float(s.harm),
        knocks=int(s.knocks),
        heavy_knocks=int(s.heavy_knocks),
        retard_deg=float(s.retard_deg),
        ceiling_kpa=inf if s.ceiling_kpa >= NO_CEILING_KPA else float(s.ceiling_kpa),
        faults=tuple(faults),
    )


def run_deciding(what: Scenario, seed: int, decide: Decide) -> Iterator[Sample]:
    """Drive to the end; ``decide`` returns after each row the retard and the ceiling to ask for."""
    car = Car(what.rig, what, seed)
    retard_deg, ceiling_kpa = 0.0, inf
    while not car.finished:
        for sample in car.step(retard_deg, ceiling_kpa):
            yield sample
            retard_deg, ceiling_kpa = decide(sample)


def drive_with_truth(
    what: Scenario,
    seed: int = 3,
    retard_deg: float = 0.0,
    ceiling_kpa: float = inf,
    at_s: float = 0.0,
) -> tuple[list[Sample], list[Truth]]:
    """Drive to the end, asking for retard and ceiling from a time on; return samples and truths."""
    car = Car(what.rig, what, seed)
    samples: list[Sample] = []
    truths: list[Truth] = []
    while not car.finished:
        acting = car.state.time_s >= at_s
        samples += car.step(retard_deg if acting else 0.0, ceiling_kpa if acting else inf)
        truths.append(truth_of(car, what))
    return samples, truths


def between(samples: Sequence[Sample], start_s: float, end_s: float) -> list[Sample]:
    """Return the samples of a span of time."""
    return [sample for sample in samples if start_s <= sample.time_s < end_s]


def mean(values: Sequence[float]) -> float:
    """Return the mean."""
    return sum(values) / len(values)
