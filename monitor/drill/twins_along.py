"""What rides are compared with, driven along with them: ready as soon as the drive is over."""

from collections.abc import Iterator
from dataclasses import replace
from math import inf

from monitor.drill.drive import Drive
from simulator.drill.ride import Moment, Ride
from simulator.drill.twins import Twins
from simulator.drill.words import Failsafe
from simulator.plant import Fault


class TwinsAlong:
    """The twins of a class's rides, without any trainee.

    Args:
        drive: The drive.
        compiled: As for ``Ride``.
    """

    def __init__(self, drive: Drive, *, compiled: bool) -> None:
        never = tuple(replace(fault, at_s=inf) for fault in drive.plan.faults)

        def ride(failsafe: Failsafe, faults: tuple[Fault, ...] = drive.plan.faults) -> Ride:
            plan = replace(drive.plan, faults=faults)
            return Ride(plan, drive.seed, failsafe=failsafe, compiled=compiled)

        self.twins = Twins(
            no_fault=ride(Failsafe.OFF, never), nobody=ride(Failsafe.OFF), guard=ride(Failsafe.ON)
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
