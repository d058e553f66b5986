"""What spray does to the charge: how far it cools it, where a dry temperature stands beside it.

The cooling is reckoned as the guard does (``rules.step.charge``): in proportion to the command, by
how warm the dry charge is. What boost alone adds, and how fast a core soaks up heat, one day can't
bound; without a dry temperature the two can't be told apart at all.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Final

import numpy as np

from rules.facts import Rig
from rules.step.charge import COLD_C, LASTS_S, LEAST_SHARE, WARM_C
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from simulator.identify.estimates import Estimate, Pull, Series
from simulator.identify.intervals import student_95
from simulator.identify.spraying import command_of, latest

LEAST_PULLS: Final = 3
LEAST_ROWS: Final = 20
LEAST_DAYS: Final = 4
LEAST_WITHIN: Final = 0.3  # heat, speed and mix of other days; common practice, no source
NEVER: Final = (("charge_sensor.rise_k", "K"), ("charge_sensor.soak_k_per_s", "K/s"))
DROP: Final = (("charge_sensor.drop_k", "K"), ("charge_sensor.drop_within", "%"))
NO_DRY: Final = (
    "not enough in this log: without a dry intake temperature, what boost warms and what spray "
    "cools can't be told apart: log a pull with and one without spray"
)
NO_PULLS: Final = (
    "not enough in this log: no three pulls in which plenty of spray lasts more than two seconds "
    "in a warm charge"
)
FEW_DAYS: Final = (
    "no interval is told: it differs from day to day, which logs of four days, cool and warm, bound"
)
NEVER_TOLD: Final = (
    "not enough in these logs: no healthy log tells what boost and heat soak add to a charge that "
    "spray cools: log the dry intake temperature (then neither is needed), or take both from pulls "
    "without spray, below the dry limit, on a hot day"
)


def charge_numbers(logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull]) -> dict[str, Estimate]:
    """Return the numbers of ``[charge_sensor]`` by key; pulls: healthy ones."""
    told = [Estimate(key, unit, why_not=NEVER_TOLD) for key, unit in NEVER]
    dry = any(np.isfinite(log.column("dry_intake_c")).any() for log in logs)
    every = [(pull.series, _drop_k(logs[pull.series], rig, pull)) for pull in pulls]
    drops = [(series, drop) for series, drop in every if drop is not None]
    if not dry or len(drops) < LEAST_PULLS:
        why = NO_PULLS if dry else NO_DRY
        told += [Estimate(key, unit, why_not=why) for key, unit in DROP]
    else:
        told += _drop(drops)
    return {one.key: one for one in told}


def _drop(drops: Sequence[tuple[int, float]]) -> list[Estimate]:
    """Return how far full spray cools, from each pull's log and drop.

    The interval is for another day's drop, and says how logs differ; one log of them bounds none.
    """
    every = np.array([drop for _, drop in drops])
    days = [np.mean([d for series, d in drops if series == one]) for one in {s for s, _ in drops}]
    n, mean = len(days), float(np.mean(days))
    half = 2.0 * float(every.std(ddof=1))
    from_ = f"{len(drops)} pulls of {n} log{'s' * (n > 1)}"
    told = Estimate("charge_sensor.drop_k", "K", mean, from_=from_, why_not=FEW_DAYS)
    if n >= LEAST_DAYS:
        half = student_95(n - 1) * float(np.std(days, ddof=1)) * sqrt(1.0 + 1.0 / n)
        told = Estimate("charge_sensor.drop_k", "K", mean, mean - half, mean + half, from_)
    within = 100.0 * max(LEAST_WITHIN, half / mean)
    return [told, Estimate("charge_sensor.drop_within", "%", within, from_=from_)]


def _drop_k(log: Series, rig: Rig, pull: Pull) -> float | None:
    """Return how far full spray cools a warm charge in a pull, K; None: it doesn't tell."""
    k = constants_of(rig)
    begin, end = np.searchsorted(log.t_s, [pull.begins_s, pull.ends_s])
    part = log.between(int(begin), int(end))
    dry, wet, boost = (
        latest(part.column(name), part.t_s, 1.0)
        for name in ("dry_intake_c", "intake_c", "boost_kpa")
    )
    full = np.array([max(full_flow_ml_min(k, value), 1e-9) for value in boost.tolist()])
    share = np.minimum(command_of(rig, k, part) / full, 1.0)
    due = share * np.clip((dry - COLD_C) / (WARM_C - COLD_C), 0.0, 1.0)
    plenty = np.nan_to_num(due) >= LEAST_SHARE
    since_s = part.t_s - np.maximum.accumulate(np.where(plenty, part.t_s[0], part.t_s))
    use = plenty & (since_s > LASTS_S) & np.isfinite(dry - wet)
    if use.sum() < LEAST_ROWS:
        return None
    return float(np.median((dry - wet)[use] / due[use]))
