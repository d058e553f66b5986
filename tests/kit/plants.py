"""A hand-made rig and its drives, for tests of the plant."""

from collections.abc import Sequence
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
from simulator.plant import Car, Do, Fault, FaultKind, Scenario, Step, Truth

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


def scenario(*faults: Fault, drive: tuple[Step, ...] = LONG_PULL, rig: Rig = RIG) -> Scenario:
    """Return a scenario of the hand-made rig."""
    return Scenario("test", "Nothing.", rig, drive, tuple(faults))


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
        acting = car.truth.time_s >= at_s
        samples += car.step(retard_deg if acting else 0.0, ceiling_kpa if acting else inf)
        truths.append(car.truth)
    return samples, truths


def between(samples: Sequence[Sample], start_s: float, end_s: float) -> list[Sample]:
    """Return the samples of a span of time."""
    return [sample for sample in samples if start_s <= sample.time_s < end_s]


def mean(values: Sequence[float]) -> float:
    """Return the mean."""
    return sum(values) / len(values)
