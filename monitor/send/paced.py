"""Sending samples somewhere at the pace at which they were taken."""

import threading
from abc import ABC, abstractmethod
from collections.abc import Iterable
from math import inf

from monitor.clock import now_s
from rules.channels import Sample
from simulator.strict import BadInput


class Lost(Exception):
    """What is sent to went away; says why."""


class Target(ABC):
    """Where samples go, already open. Any call may raise ``Lost``.

    Attributes:
        name: As messages call it.
        expected: What it should have been, where it went away.
    """

    name: str
    expected: str

    @abstractmethod
    def send(self, sample: Sample, number: int) -> None:
        """Send a sample, before which ``number`` others went; wait where it can't take more."""

    @abstractmethod
    def flush(self) -> None:
        """Wait until all has been sent."""

    @abstractmethod
    def close(self) -> None:
        """Close it."""


def send_paced(samples: Iterable[Sample], target: Target, speed: float) -> int:
    """Send samples, close the target, return how many were sent.

    Args:
        samples: In the order of time.
        target: Where to; open.
        speed: 1 is real time; 0 or infinite as fast as the target takes them.

    Raises:
        BadInput: The target went away.
    """
    waiter = threading.Event()
    count = 0
    start_s: float | None = None
    first_s = 0.0
    try:
        for sample in samples:
            if start_s is None:
                start_s, first_s = now_s(), sample.time_s
            if 0.0 < speed < inf:
                waiter.wait(max(0.0, start_s + (sample.time_s - first_s) / speed - now_s()))
            target.send(sample, count)
            count += 1
        target.flush()
    except Lost as lost:
        found = f"lost after {count} samples ({lost})"
        raise BadInput(f"{target.name}: {found}, expected {target.expected}") from None
    finally:
        target.close()
    return count
