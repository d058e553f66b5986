"""The line's pressure over its command: gain, lag and noise of its sensor.

What is due is the guard's own (``rules.step.hydraulics.line_due_kpa``), where enough is commanded
for the pressure to depend on the pump.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from rules.facts import Rig
from rules.step.constants import Constants
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min, line_due_kpa
from rules.step.learning import lasts_s
from rules.step.line import FILLS_S, LEAST_COMMAND
from simulator.identify.estimates import Estimate, Pull, Series
from simulator.identify.flow import LEAST_NOISE, deviation_of, lasting_s
from simulator.identify.intervals import student_95
from simulator.identify.model import lagged
from simulator.identify.readings import rate_of
from simulator.identify.spraying import command_of, latest

LAGS_S: Final = (0.003, 0.006, 0.01, 0.015, 0.02, 0.03, 0.045, 0.07, 0.1, 0.15)
LEAST_PULLS: Final = 3
LEAST_ROWS: Final = 60
MOVES: Final = 0.05  # of what is due: where it moves less, no lag can be told
DRIFT: Final = 0.04  # from one day to the next; common practice, no source
LEAST_LASTS_S: Final = 0.001
KEYS: Final = (
    ("line_sensor.gain", "1"),
    ("line_sensor.gain_within", "%"),
    ("line_sensor.lag", "s"),
    ("line_sensor.noise", "%"),
    ("line_sensor.noise_lasts", "s"),
)
NO_PRESSURE: Final = (
    "not enough in this log: no line pressure in three pulls or more of plenty of spray"
)
NO_LAG: Final = (
    "not enough in this log: what is due of the line's pressure hardly moves while it sprays"
)
NO_RIPPLE: Final = (
    "not enough in this log: a pump's strokes are faster than its rows; what the sensor's filter "
    "lets pass of them is in the noise of the line's pressure"
)


def line_numbers(logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull]) -> dict[str, Estimate]:
    """Return the numbers of ``[line_sensor]`` by key, its gain beside them; pulls: healthy ones."""
    k = constants_of(rig)
    every = [_rows(logs[pull.series], rig, k, pull) for pull in pulls]
    parts = [part for part in every if part is not None]
    told = {"spray.pump.ripple": Estimate("spray.pump.ripple", "%", why_not=NO_RIPPLE)}
    if len(parts) < LEAST_PULLS:
        return told | {key: Estimate(key, unit, why_not=NO_PRESSURE) for key, unit in KEYS}
    lag_s = min(LAGS_S, key=lambda lag_s: _loss(parts, lag_s))
    share = [(read / lagged(t_s, due, lag_s))[use] for t_s, due, read, use in parts]
    gains = np.array([np.median(one) for one in share])
    gain = float(gains.mean())
    half = student_95(max(len(gains) - 1, 3)) * float(gains.std(ddof=1)) / np.sqrt(len(gains))
    off = np.concatenate([one / level - 1.0 for one, level in zip(share, gains, strict=True)])
    noise = max(deviation_of(off), LEAST_NOISE)
    at_s = np.concatenate([t_s[use] for t_s, _, _, use in parts])
    first = np.concatenate([np.arange(len(one)) == 0 for one in share])
    apart_s = max(rate_of(log.t_s).period_s for log in logs)
    lasts = lasting_s(at_s, off / noise, first, np.ones(len(off), bool))
    kept = float(np.exp(-apart_s / lasts)) if lasts > 0.0 else 0.0
    within = float(np.abs(gains - 1.0).max()) + DRIFT
    from_ = f"{len(parts)} pulls, {len(off)} rows"
    moves = max(float(np.ptp(due[use]) / due[use].max()) for _, due, _, use in parts) > MOVES
    lag = Estimate("line_sensor.lag", "s", lag_s, from_=from_)
    if not moves or lag_s < 0.5 * apart_s:
        lag = Estimate("line_sensor.lag", "s", why_not=NO_LAG)
    found = [
        Estimate("line_sensor.gain", "1", gain, gain - half, gain + half, from_),
        Estimate("line_sensor.gain_within", "%", 100.0 * within, from_=from_),
        lag,
        Estimate("line_sensor.noise", "%", 100.0 * noise, from_=from_),
        Estimate(
            "line_sensor.noise_lasts",
            "s",
            max(lasts_s(kept, 1.0, apart_s), LEAST_LASTS_S),
            from_=from_,
        ),
    ]
    return told | {one.key: one for one in found}


def _rows(log: Series, rig: Rig, k: Constants, pull: Pull) -> tuple[Any, Any, Any, Any] | None:
    """Return times, what is due, what is read, and where it counts; None: too little of it."""
    begin, end = np.searchsorted(log.t_s, [pull.begins_s, pull.ends_s])
    part = log.between(int(begin), int(end))
    read = part.column("line_kpa")
    if np.isfinite(read).sum() < LEAST_ROWS:
        return None
    boost = latest(part.column("boost_kpa"), part.t_s, 0.5)
    command = command_of(rig, k, part)
    full = np.array([max(full_flow_ml_min(k, value), 1e-9) for value in boost.tolist()])
    due = np.array(
        [
            line_due_kpa(k, *row)
            for row in zip(boost.tolist(), command.tolist(), full.tolist(), strict=True)
        ]
    )
    plenty = command >= LEAST_COMMAND * full
    known = np.isfinite(due)
    since_s = part.t_s - np.maximum.accumulate(np.where(plenty, part.t_s[0], part.t_s))
    use = (np.isfinite(read) & plenty & (since_s > 2.0 * FILLS_S))[known]
    if use.sum() < LEAST_ROWS:
        return None
    return part.t_s[known], due[known], np.where(np.isfinite(read), read, 0.0)[known], use


def _loss(parts: Sequence[tuple[Any, Any, Any, Any]], lag_s: float) -> float:
    total = 0.0
    for t_s, due, read, use in parts:
        share = (read / lagged(t_s, due, lag_s))[use]
        total += float(((share / np.median(share) - 1.0) ** 2).sum())
    return total
