"""Runs that were driven alike, laid out by engine speed."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan
from typing import NamedTuple

import numpy as np

from monitor.dyno.runs import BESIDE, Run
from simulator.dyno.correction import Correction, factor
from simulator.dyno.curves import Floats, power_kw
from simulator.dyno.gain import further_run


class Asked(NamedTuple):
    """What is to be compared.

    Attributes:
        names: What the two groups are called, the baseline first.
        by_spray: Whether the first has to be dry and the second sprayed.
        method: How torque is corrected.
        between_rpm: Span of the means; None: all that every run has.
        dry_limit_kpa: Boost that the engine holds without spray.
        boosted: Whether anything boosts it.
    """

    names: tuple[str, str]
    by_spray: bool
    method: Correction
    between_rpm: tuple[float, float] | None
    dry_limit_kpa: float
    boosted: bool


@dataclass(frozen=True, slots=True)
class Group:
    """Runs that were driven alike.

    Attributes:
        name: What it is called.
        runs: Those that are compared.
        factors: What each one's torque was multiplied by.
        torque_nm: By run and engine speed, corrected, (n, k); NaN where a run didn't go.
        power_kw: Likewise.
        beside: ``BESIDE``, by run and engine speed.
    """

    name: str
    runs: tuple[Run, ...]
    factors: tuple[float, ...]
    torque_nm: Floats
    power_kw: Floats
    beside: dict[str, Floats]

    @property
    def counts(self) -> list[int]:
        """How many runs go through each engine speed, (k,)."""
        return [int(n) for n in np.isfinite(self.torque_nm).sum(axis=0)]


def group_of(name: str, runs: Sequence[Run], method: Correction, speed_rpm: Floats) -> Group:
    """Return runs as a group, corrected where a method is given.

    Args:
        name: What the group is called.
        runs: At least one; with a correction, each knows its air.
        method: How torque is corrected.
        speed_rpm: Engine speeds, rising, (k,).
    """
    factors, laid = [], []
    for run in runs:
        air = run.weather.air
        factors.append(1.0 if air is None else factor(method, air))
        laid.append(run.sweep.by_speed({"torque": run.torque_nm, **run.columns}, speed_rpm))
    torque = np.array([f * one["torque"] for f, one in zip(factors, laid, strict=True)])
    return Group(
        name,
        tuple(runs),
        tuple(factors),
        torque,
        power_kw(torque, speed_rpm),
        {channel: np.array([one[channel] for one in laid]) for channel in BESIDE},
    )


def mean_of(values: Floats) -> Floats:
    """Return the mean over runs at each engine speed, (k,); NaN where there is none."""
    there = np.isfinite(values)
    counts = there.sum(axis=0)
    sums = np.where(there, values, 0.0).sum(axis=0)
    mean: Floats = np.where(counts > 0, sums / np.maximum(counts, 1), nan)
    return mean


def band_of(group: Group) -> tuple[Floats, Floats]:
    """Return how far from its mean a further run's torque and power would lie, (k,) each."""
    return further_run(group.torque_nm), further_run(group.power_kw)


def gap(groups: tuple[Group, Group], channel: str) -> Floats:
    """Return by how much more the second group reads at each engine speed, (k,)."""
    return mean_of(groups[1].beside[channel]) - mean_of(groups[0].beside[channel])


def median(values: Sequence[float]) -> float:
    """Return the median of what is known; NaN where nothing is."""
    known = [value for value in values if isfinite(value)]
    return float(np.median(known)) if known else nan
