"""What every output promises, and the times all of them keep.

An output is *held* only while the guard says so, again and again; everything else is *released*:
a trip, an unhealthy signal, a guard that ended, was killed or hangs, a keeper that was killed or
hangs, a cable pulled. Nothing has to happen for a release, something has to happen for a hold.

    guard process --beats--> keeper process --hold / release--> outputs

The keeper (``keeper.py``) is a process of its own, so that nothing the guard does, not even a
stopped process, keeps an output held. Each watches the other: the keeper releases when the guard's
beats stay out, the guard kills a keeper that doesn't answer, and the system closes its ports.

Times, from what happens to release at the keeper's end of the wire (tested with real processes):

| what happens | within |
|---|---|
| a decision to pull timing or cut boost | ``TRIP_S`` of the decision |
| guard ended or killed | ``TRIP_S`` |
| guard hangs or is stopped | ``SILENT_S`` + ``TRIP_S`` |
| keeper killed | at once by the system (ports close); heartbeats just end |
| keeper hangs | ``KEEPER_SILENT_S``, then it is killed |
| an essential signal bad or gone | its ``max_age`` + ``blind_after`` + 0.25 s (see the rules) |
| computer frozen or asleep | heartbeats end at once; a pin may stay held for ever |

The last row is why a heartbeat with a timer at its other end is the better output: a pin
keeps its level while the adapter has power and nobody tells it otherwise.
"""

from typing import Final, Protocol

TRIP_S: Final = 0.1
SILENT_S: Final = 0.25  # beats come every 50 ms; a busy machine may hold up a few
BEAT_S: Final = 0.05
KEEPER_SILENT_S: Final = 0.5
REARM_S: Final = 0.5  # all must have been well so long before a released output is held again

CAUTION: Final = (
    "OUTPUT ARMED. flowdebt advises; it is not a certified safety device. Test with the output "
    "disconnected first. Wire it fail-safe: a dead wire, a dead computer and a released output "
    "must all mean the same. A frozen computer may leave a pin asserted: only a heartbeat with a "
    "timer at its other end covers that. Follow local rules, and let licensed people do what needs "
    "a licence."
)


class OutputFault(Exception):
    """An output can't be driven now; the text says why. The keeper closes it and tries again."""


class Output(Protocol):
    """One output.

    ``open`` leaves it released. ``beat`` is called every ``BEAT_S`` at least, and at once when held
    changes. After any fault only ``close`` and ``open`` are called. ``close`` leaves it released,
    may be called twice, and never raises.

    Attributes:
        name: One line that says what and where.
    """

    name: str

    def open(self) -> None:
        """Get hold of it, released.

        Raises:
            OutputFault: It isn't there.
        """

    def beat(self, held: bool) -> None:
        """Hold or release it; say so again where it is a heartbeat.

        Raises:
            OutputFault: It can't be driven.
        """

    def close(self) -> None:
        """Release it and let go of it."""
