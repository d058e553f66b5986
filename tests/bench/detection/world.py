"""Both halves of the bench: tuning pulls and evaluation pulls, which share no seed."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from rules.facts import Rig
from tests.bench.detection.identify import identify
from tests.bench.detection.pulls import Fault, Pulls, bench_rig, draw_cars, make_pulls, streams
from tests.bench.detection.signals import Signals, see

_STREAMS_A_FAULT: Final = 3  # cars, pulls, and the healthy pulls each car is identified from


@dataclass(frozen=True, slots=True)
class Half:
    """One half of the bench, by fault (``Fault.NONE``: healthy pulls).

    Attributes:
        pulls: What the log holds.
        rigs: Each pull's car as identified from its own healthy pulls; empty where not asked for.
        seen: The signals under the one rig all cars share.
        debt: The debt under that rig, mL.
    """

    pulls: Mapping[Fault, Pulls]
    rigs: Mapping[Fault, list[Rig]]
    seen: Mapping[Fault, Signals]
    debt: Mapping[Fault, Any]


def build(seed: int, half: int, healthy: int, faulty: int, identified: bool = True) -> Half:
    """Make one half of the bench.

    Args:
        seed: The bench's seed.
        half: ``pulls.TUNING`` or ``pulls.EVALUATION``.
        healthy: How many healthy pulls.
        faulty: How many pulls for each fault.
        identified: Whether to identify each car (slow).
    """
    rig = bench_rig()
    rngs = streams(seed, half, _STREAMS_A_FAULT * len(Fault))
    pulls: dict[Fault, Pulls] = {}
    rigs: dict[Fault, list[Rig]] = {}
    seen: dict[Fault, Signals] = {}
    debt: dict[Fault, Any] = {}
    for at, fault in enumerate(Fault):
        for_cars, for_pulls, for_fit = rngs[_STREAMS_A_FAULT * at : _STREAMS_A_FAULT * (at + 1)]
        cars = draw_cars(for_cars, healthy if fault is Fault.NONE else faulty)
        pulls[fault] = make_pulls(for_pulls, cars, fault)
        rigs[fault] = identify(for_fit, cars, rig) if identified else []
        seen[fault], debt[fault], _ = see(pulls[fault], lambda _: rig)
    return Half(pulls, rigs, seen, debt)
