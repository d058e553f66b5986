"""The same ride again: without its faults, without its trainee, with another failsafe.

Rides of one seed have the same noise, so two of them differ by what was left out, and by nothing
else, to the bit.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace
from math import inf

from simulator.drill.ride import Ride, RideFacts
from simulator.drill.words import Failsafe
from simulator.plant import Fault


@dataclass(frozen=True, slots=True)
class Twins:
    """What a ride is compared with: the same for each of a class, whose faults are the same.

    Attributes:
        no_fault: Nothing goes wrong and nobody acts.
        nobody: Everything goes wrong and nobody acts, the guard neither.
        guard: Everything goes wrong and the guard acts alone, at once.
    """

    no_fault: Ride
    nobody: Ride
    guard: Ride


def drive_again(
    facts: RideFacts,
    *,
    faults: bool = True,
    without: Collection[int] = (),
    failsafe: Failsafe | None = None,
    answers: bool = True,
    compiled: bool | None = None,
) -> Ride:
    """Drive a ride again, as far as it came.

    Args:
        facts: What the ride was.
        faults: With its faults, or with none.
        without: Numbers of faults to leave out.
        failsafe: Another failsafe; None: the ride's own.
        answers: Whether the trainee does again what was done.
        compiled: As for ``Ride``.
    """
    kept = [
        faults and number not in without
        for number in range(len(facts.scenario.faults) + len(facts.doings))
    ]
    scenario = facts.scenario
    given = tuple(fault if kept[i] else _never(fault) for i, fault in enumerate(scenario.faults))
    ride = Ride(
        replace(scenario, faults=given),
        facts.seed,
        failsafe=facts.failsafe if failsafe is None else failsafe,
        late_by_s=facts.late_by_s,
        compiled=compiled,
    )
    number = len(given)
    done = 0
    for doing in facts.doings:
        done = _drive_to(ride, done, doing.after)
        if doing.fault is not None:
            ride.do_again(doing if kept[number] else replace(doing, fault=_never(doing.fault)))
            number += 1
        elif answers or not doing.by_trainee:
            ride.do_again(doing)
    _drive_to(ride, done, facts.samples)
    return ride


def twins_of(facts: RideFacts, *, compiled: bool | None = None) -> Twins:
    """Return what a ride is compared with.

    Args:
        facts: What the ride was; what its trainee did has no part in it.
        compiled: As for ``Ride``.
    """
    off, on = Failsafe.OFF, Failsafe.ON
    return Twins(
        drive_again(facts, faults=False, failsafe=off, answers=False, compiled=compiled),
        drive_again(facts, failsafe=off, answers=False, compiled=compiled),
        drive_again(facts, failsafe=on, answers=False, compiled=compiled),
    )


def _drive_to(ride: Ride, done: int, samples: int) -> int:
    ride.drive(samples - done)
    return max(done, samples)


def _never(fault: Fault) -> Fault:
    return replace(fault, at_s=inf)
