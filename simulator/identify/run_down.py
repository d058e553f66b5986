"""How fast the spray runs down once its pump stops: from a stop that the logs hold, told or not.

A lift can't tell it: a valve shuts first, and behind it the line stands; where the pump's speed
follows the command, boost falls with it. So a stop under spray is looked for, in pulls that look
healthy or not. What flows then falls in a straight line to nil, as ``rules.handling`` has it,
behind the sensor's lag; by the line's pressure it is the root of what is left across the nozzles.
"""

from collections.abc import Sequence
from math import exp, hypot
from typing import Any, Final, NamedTuple

import numpy as np

from rules import channels as ch
from rules.facts import Rig
from rules.step.constants import Constants
from rules.step.from_rig import constants_of
from simulator.identify.estimates import Estimate, Pull, Series
from simulator.identify.intervals import NORMAL_95, student_95
from simulator.identify.readings import rate_of
from simulator.identify.spraying import command_of, latest

KEY: Final = "spray.pump.run_down"
TIMES_S: Final = np.geomspace(0.03, 0.7, 48)
STARTS_S: Final = np.arange(-0.9, 0.05, 0.01)  # before the reading is down
BEFORE_S: Final = (1.8, 1.0)  # of readings that say from where it fell
DOWN: Final = 0.12  # of that: hardly anything flows
DOWN_S: Final = 0.3
STEADY: Final = 0.25  # a command that moves no more stands still
LEAST_SHARE: Final = 0.2  # below it a wheel's pulses come too seldom
LEAST_ROWS: Final = 8
SLOWEST_ROWS_S: Final = 0.031
# Of its logarithm: no real flow falls quite in a straight line, and a flow sensor's lag is
# known only nearly. On the plant's cars, by the pressure and by the flow.
NOT_A_LINE: Final = (0.12, 0.22)
NO_STOP: Final = (
    "not enough in these logs: no pump stops under spray (in a lift a valve shuts, or boost falls "
    "too): on a dyno, at low boost, unplug it, log that, and give fit that log, too"
)
SLOW_ROWS: Final = (
    "not enough in these logs: a pump stops, but rows come too seldom to see how fast"
)


class _Stop(NamedTuple):
    """One stop: in which log, when the reading is down, s, and how long it ran down, s."""

    series: int
    at_s: float
    time_s: float
    log_off: float  # how far off its logarithm may be by noise alone


def run_down(
    logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull], lag_s: float | None
) -> Estimate:
    """Return how fast the spray runs down.

    Args:
        logs: The logs.
        rig: With the command that explains them.
        pulls: All of them, healthy or not.
        lag_s: The flow sensor's; None: by the line's pressure, and its lag is the rig's.
    """
    k = constants_of(rig)
    stops, slow = [], False
    for pull in pulls:
        log = logs[pull.series]
        share = _share(log, rig, k, pull, by_line=lag_s is None)
        if share is None:
            continue
        if rate_of(log.t_s).period_s > SLOWEST_ROWS_S:
            slow = True
            continue
        lag = rig.line_sensor.lag_s if lag_s is None else lag_s
        found = _fitted(*share, lag)
        if found is not None:
            stops.append(_Stop(pull.series, share[2], *found))
    if not stops:
        return Estimate(KEY, "s", why_not=SLOW_ROWS if slow else NO_STOP)
    logs_of = np.log([stop.time_s for stop in stops])
    n = len(stops)
    half = NORMAL_95 * float(np.mean([stop.log_off for stop in stops])) / np.sqrt(n)
    if n > 2:
        half = max(half, student_95(n - 1) * float(logs_of.std(ddof=1)) / np.sqrt(n))
    half = hypot(half, NOT_A_LINE[lag_s is not None])
    value = exp(float(logs_of.mean()))
    at = ", ".join(f"{stop.at_s:z.1f} s" for stop in stops[:3])
    from_ = f"{n} stop{'s' * (n > 1)} under spray; taken for a pump that stopped, at {at}"
    return Estimate(KEY, "s", value, value * exp(-half), value * exp(half), from_)


def _share(
    log: Series, rig: Rig, k: Constants, pull: Pull, *, by_line: bool
) -> tuple[Any, Any, float] | None:
    """Return times and share of the flow about a stop, and when it is down; None: there is none."""
    begin, end = np.searchsorted(log.t_s, [pull.begins_s, pull.ends_s])
    part = log.between(int(begin), int(end))
    reading = part.column(ch.CHANNEL_NAMES[(ch.LINE if by_line else ch.DELIVERED) - 1])
    seen = np.isfinite(reading)
    command = command_of(rig, k, part)
    if by_line:
        back = latest(part.column("boost_kpa"), part.t_s, 0.5) + k.check_valve_kpa
        reading = np.maximum(reading - back, 0.0)
    seen &= np.isfinite(command) & np.isfinite(reading)
    t_s, reading, command = part.t_s[seen], reading[seen], command[seen]
    if len(t_s) < LEAST_ROWS:
        return None
    usual = float(np.median(reading[reading >= np.median(reading)]))
    low = reading < DOWN**2 * usual if by_line else reading < DOWN * usual
    for first in np.flatnonzero(low[1:] & ~low[:-1]) + 1:
        down_s = float(t_s[first])
        while_down = (t_s >= down_s) & (t_s <= down_s + DOWN_S)
        before = (t_s >= down_s - BEFORE_S[0]) & (t_s <= down_s - BEFORE_S[1])
        about = (t_s >= down_s - BEFORE_S[0]) & (t_s <= down_s + DOWN_S)
        lasts = t_s[-1] >= down_s + DOWN_S and low[while_down].all()
        if not lasts or before.sum() < LEAST_ROWS // 2 or usual <= 0.0:
            continue
        steady = np.ptp(command[about]) <= STEADY * command[about].max()
        level = float(np.median(reading[before]))
        if not steady or level < 0.5 * usual:
            continue
        share = reading[about] / level
        return t_s[about], np.sqrt(share) if by_line else share, down_s
    return None


def _fitted(t_s: Any, share: Any, down_s: float, lag_s: float) -> tuple[float, float] | None:
    """Return how long a share takes to fall to nil, and how far off its logarithm may be."""
    losses, counts = np.full(len(TIMES_S), np.inf), np.zeros(len(TIMES_S))
    for i, time_s in enumerate(TIMES_S):
        for start_s in STARTS_S:
            model = _runs_down(t_s - down_s - start_s, time_s, lag_s)
            use = model > LEAST_SHARE
            falls = (use & (model < 0.98)).sum()
            if falls < 2:
                continue
            loss = float(((share - model)[use] ** 2).mean())
            if loss < losses[i]:
                losses[i], counts[i] = loss, use.sum()
    best = int(np.argmin(losses))
    if not np.isfinite(losses[best]) or counts[best] < LEAST_ROWS:
        return None
    free = max(0.3 * counts[best], 3.0)  # readings that differ
    near = np.flatnonzero(losses <= losses[best] * (1.0 + NORMAL_95**2 / free))
    off = np.log(TIMES_S[near[-1]] / TIMES_S[near[0]]) / 2.0 / NORMAL_95
    return float(TIMES_S[best]), float(off)


def _runs_down(since_s: Any, time_s: float, lag_s: float) -> Any:
    """Return the share that is read of a flow that falls in a straight line, behind a lag, (n,)."""

    def fallen(x: Any) -> Any:
        x = np.maximum(x, 0.0)
        return x - lag_s * (1.0 - np.exp(-x / lag_s)) if lag_s > 0.0 else x

    return 1.0 - (fallen(since_s) - fallen(since_s - time_s)) / time_s
