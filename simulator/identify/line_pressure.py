"""The line's pressure over its command: gain, lag and noise of its sensor.

What is due is the guard's own (``rules.step.hydraulics.line_due_kpa``), where enough is commanded
for the pressure to depend on the pump. How far off each number may be, pulls say, each of which is
one draw: of the car, and of where its strokes fall between the rows.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, hypot, pi, sqrt
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

LAGS_S: Final = np.geomspace(0.003, 0.3, 24)
LAG_MOVED: Final = 1.05
LEAST_PULLS: Final = 3
LEAST_ROWS: Final = 20
LEAST_OFF: Final = 0.04  # of what is due: less is noise
TELLS: Final = 2.0  # times as far off as by the other way to carry a command out
MOVES: Final = 0.05  # of what is due: where it moves less, no lag can be told
LAG_UNSEEN, GAIN_UNSEEN = 0.08, 0.001  # off in all pulls alike: boost's noise, rounding
LAG_KNOWN: Final = 0.5  # half of an interval, of its logarithm; wider ones tell nothing
LEAST_DUE_KPA: Final = 1.0
DRIFT: Final = 0.04  # from one day to the next; common practice, no source
STROKES_HZ: Final = 50.0  # of a small diaphragm pump; common practice, no source
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
SLOW_ROWS: Final = "not enough in this log: its rows come no quicker than line and gauge follow"
NO_NOISE: Final = (
    "no interval is told: where a pump's strokes fall between the rows differs from day to day"
)
NO_RIPPLE: Final = (
    "not enough in this log: a pump's strokes are faster than its rows; what the sensor's filter "
    "lets pass of them is in the noise of the line's pressure: only an oscilloscope, or a gauge "
    "logged 500 times a second, would show them"
)


@dataclass(frozen=True, slots=True)
class LineFit:
    """A fit of the line's pressure to what is due.

    Attributes:
        gains: Reading to what is due in each pull.
        lag_s: Of the reading behind what is due, line and gauge together.
        log_lag: How far off its logarithm may be; infinite where what is due hardly moves.
        noise: Standard deviation of a reading, as a share of it, in each pull.
        lasts_s: How long that takes to fall to a 1/e part, 0 where it can't be told from none.
        period_s: From one row to the next, in the slowest log.
        rows: How many readings.
    """

    gains: Any
    lag_s: float
    log_lag: float
    noise: Any
    lasts_s: float
    period_s: float
    rows: int

    def gains_of(self, every: Sequence["Part | None"]) -> tuple[Any, Any]:
        """Return gains of any pulls, and their standard errors, (n,) each; NaN: too little seen."""
        gains = [np.nan if part is None else part.off(self.lag_s)[0] for part in every]
        rows = [1 if part is None else int(part.use.sum()) for part in every]
        alike = 1.0 + 2.0 * self.lasts_s / self.period_s  # rows that say the same
        return np.array(gains), float(self.noise.max()) * np.sqrt(alike / np.array(rows))


class Part:
    """A pull: times, what is due, what is read, and where that counts."""

    def __init__(self, t_s: Any, due: Any, read: Any, use: Any) -> None:
        self.t_s, self.due, self.read, self.use = t_s, due, read, use

    def off(self, lag_s: float) -> tuple[float, Any]:
        """Return the gain, and what the readings are off then, as a share."""
        due = np.maximum(lagged(self.t_s, self.due, lag_s)[self.use], LEAST_DUE_KPA)
        share = self.read[self.use] / due
        gain = float(np.median(share))
        return gain, share / gain - 1.0


def line_parts(logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull]) -> list["Part | None"]:
    """Return what counts of each pull; None where that is too little."""
    k = constants_of(rig)
    return [_part(logs[pull.series], rig, k, pull) for pull in pulls]


def fit_line(every: Sequence["Part | None"]) -> LineFit | None:
    """Fit the line's pressure in some pulls; None where fewer than three have plenty of it."""
    parts = [part for part in every if part is not None]
    if len(parts) < LEAST_PULLS:
        return None
    period_s = max(rate_of(part.t_s).period_s for part in parts)
    lag_s = float(min(LAGS_S, key=lambda lag_s: _loss(parts, float(lag_s))))
    lag_s, log_lag = _refined(parts, lag_s, period_s)
    gains, off = zip(*(part.off(lag_s) for part in parts), strict=True)
    noise = np.array([max(deviation_of(one), LEAST_NOISE) for one in off])
    every_off = np.concatenate([one / own for one, own in zip(off, noise, strict=True)])
    at_s = np.concatenate([part.t_s[part.use] for part in parts])
    first = np.concatenate([np.arange(len(one)) == 0 for one in off])
    lasts = lasting_s(at_s, every_off, first, np.ones(len(every_off), bool))
    moves = max(float(np.ptp(p.due[p.use]) / p.due[p.use].max()) for p in parts)
    if moves <= MOVES:
        log_lag = np.inf
    return LineFit(np.array(gains), lag_s, log_lag, noise, lasts, period_s, len(every_off))


def _refined(parts: Sequence[Part], lag_s: float, period_s: float) -> tuple[float, float]:
    """Return the lag that explains the readings best, and how far off its logarithm may be.

    Gauss-Newton on its logarithm; the doubt is a sandwich whose groups are pulls.
    """
    scores, bread = np.zeros(len(parts)), 1e-12
    for _ in range(4):
        scores, bread = np.zeros(len(parts)), 1e-12
        for i, part in enumerate(parts):
            off = part.off(lag_s)[1]
            slope = (part.off(LAG_MOVED * lag_s)[1] - off) / np.log(LAG_MOVED)
            held = np.clip(off, -4.0 * deviation_of(off), 4.0 * deviation_of(off))
            scores[i] = -float((slope * held).sum())
            bread += float((slope * slope).sum())
        step = float(np.clip(scores.sum() / bread, -0.4, 0.4))
        lag_s = float(np.clip(lag_s * exp(step), LAGS_S[0], LAGS_S[-1]))
    n = len(parts)
    error = np.sqrt((scores**2).sum() * n / (n - 1)) / bread
    unseen = np.hypot(LAG_UNSEEN, 0.1 * period_s / lag_s)  # between rows, and of the model
    return lag_s, float(np.hypot(student_95(n - 1) * error, unseen))


def otherwise(rig: Rig) -> Rig:
    """Return a rig whose pump carries a command out the other way: by its speed, or by a valve."""
    pump = replace(rig.spray.pump, follows_command=not rig.spray.pump.follows_command)
    if pump.follows_command:
        pump = replace(pump, regulated_kpa=np.inf)
    return replace(rig, spray=replace(rig.spray, pump=pump))


def carried_out_otherwise(logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull]) -> str:
    """Say where the pressure speaks for a pump whose speed follows the command, and not the rig.

    Or against one: a sentence; empty where the rig's way explains it as well, or nothing tells.
    """
    other = otherwise(rig)
    own_off, other_off = (_off_share(line_parts(logs, one, pulls)) for one in (rig, other))
    if not own_off > max(LEAST_OFF, TELLS * other_off):
        return ""
    return (
        f"the line's pressure is {100.0 * own_off:z.0f} % off what this rig's [spray.pump] makes "
        f"of the command, {100.0 * other_off:z.0f} % {write(other)}"
    )


def write(rig: Rig) -> str:
    """Return what to write for a rig's way to carry a command out, a clause."""
    follows = rig.spray.pump.follows_command
    without = " and no regulated" if follows else ""
    return f"with follows_command = {str(follows).lower()}{without}: write that, and fit again"


def _off_share(every: Sequence[Part | None]) -> float:
    """Return how far readings are off what is due, as a share of it; NaN: too little seen."""
    parts = [part for part in every if part is not None]
    if not parts:
        return np.nan
    return min(
        float(np.median([deviation_of(part.off(float(lag_s))[1]) for part in parts]))
        for lag_s in LAGS_S
    )


def line_numbers(fit: LineFit | None, rig: Rig) -> dict[str, Estimate]:
    """Return the numbers of ``[line_sensor]`` by key, its gain and the ripple beside them.

    Its noise is that of the worst pull, and no less than a pump of the rig's ripple makes of it.
    """
    told = {"spray.pump.ripple": Estimate("spray.pump.ripple", "%", why_not=NO_RIPPLE)}
    if fit is None:
        return told | {key: Estimate(key, unit, why_not=NO_PRESSURE) for key, unit in KEYS}
    swing = rig.spray.pump.ripple_share / sqrt(2.0)
    strokes = swing / hypot(1.0, 2.0 * pi * STROKES_HZ * rig.line_sensor.lag_s)
    n = len(fit.gains)
    reach = student_95(n - 1) / np.sqrt(n)
    gain = float(fit.gains.mean())
    half = float(np.hypot(reach * fit.gains.std(ddof=1), GAIN_UNSEEN))
    noise = 100.0 * max(float(fit.noise.max()), strokes)
    lasting = max(rig.line_sensor.noise_lasts_s, fit.period_s)  # rows show none of less than one
    if fit.lasts_s > 0.0:
        lasting = max(lasts_s(exp(-fit.period_s / fit.lasts_s), 1.0, fit.period_s), fit.period_s)
    within = float(np.abs(fit.gains - 1.0).max()) + DRIFT
    from_ = f"{n} pulls, {fit.rows} rows"
    lag = Estimate(
        "line_sensor.lag",
        "s",
        fit.lag_s,
        fit.lag_s * exp(-fit.log_lag),
        fit.lag_s * exp(min(fit.log_lag, 1.0)),
        from_,
    )
    if fit.log_lag > LAG_KNOWN:
        why = (
            NO_LAG
            if fit.log_lag == np.inf
            else (
                f"not enough in this log: the lag is known to +-{100.0 * fit.log_lag:z.0f} % only"
            )
        )
        lag = Estimate("line_sensor.lag", "s", why_not=why)
    elif fit.lag_s < fit.period_s:
        lag = Estimate("line_sensor.lag", "s", why_not=SLOW_ROWS)
    found = [
        Estimate("line_sensor.gain", "1", gain, gain - half, gain + half, from_),
        Estimate("line_sensor.gain_within", "%", 100.0 * within, from_=from_),
        lag,
        Estimate("line_sensor.noise", "%", noise, from_=from_, why_not=NO_NOISE),
        Estimate(
            "line_sensor.noise_lasts",
            "s",
            lasting,
            from_=from_,
        ),
    ]
    return told | {one.key: one for one in found}


def _part(log: Series, rig: Rig, k: Constants, pull: Pull) -> Part | None:
    """Return a pull; None: too little of it counts."""
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
    return Part(part.t_s[known], due[known], np.where(np.isfinite(read), read, 0.0)[known], use)


def _loss(parts: Sequence[Part], lag_s: float) -> float:
    return sum(float((part.off(lag_s)[1] ** 2).sum()) for part in parts)
