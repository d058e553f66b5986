"""What rides are compared with, driven along with them: ready as soon as the drive is over."""

from collections.abc import Iterator
from dataclasses import replace
from math import inf

from simulator.drill.ride import Moment, Ride
from simulator.drill.twins import Twins
from simulator.drill.words import Failsafe
from simulator.plant import Scenario


class TwinsAlong:
    """The twins of a class's rides, without any trainee.

    Args:
        plan: The drive with its faults.
        seed: Its seed.
    """

    def __init__(self, plan: Scenario, seed: int) -> None:
        never = tuple(replace(fault, at_s=inf) for fault in plan.faults)
        self.twins = Twins(
            no_fault=Ride(replace(plan, faults=never), seed, failsafe=Failsafe.OFF),
            nobody=Ride(plan, seed, failsafe=Failsafe.OFF),
            guard=Ride(plan, seed, failsafe=Failsafe.ON),
        )

    def _all(self) -> tuple[Ride, ...]:
        return self.twins.no_fault, self.twins.nobody, self.twins.guard

    def faulty(self) -> Iterator[Ride]:
        """Yield the rides that get the faults that an instructor injects."""
        yield from (self.twins.nobody, self.twins.guard)

    def step(self) -> None:
        """Drive on by one sample."""
        for ride in self._all():
            ride.step()

    def mark(self) -> tuple[Moment, ...]:
        """Return this moment, to go back to."""
        return tuple(ride.mark() for ride in self._all())

    def rewind(self, moments: tuple[Moment, ...]) -> None:
        """Be as at a moment."""
        for ride, moment in zip(self._all(), moments, strict=True):
            ride.rewind(moment)
