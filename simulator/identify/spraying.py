"""Stretches of spray, cut out of the logs and laid one behind the other."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rules import channels as ch
from rules.facts import Rig
from rules.step.command import commanded_flow_ml_min
from rules.step.constants import Constants
from rules.step.from_rig import constants_of, essential_columns
from simulator.identify.estimates import Pull, Series

ON_SHARE: Final = 0.02  # of the most that is asked for
QUIET_S: Final = 1.5  # without spray between two pulls
SHORTEST_S: Final = 0.15
BEFORE_S: Final = 2.0  # of command ahead of a pull
SEEN_BEFORE_S: Final = 0.3  # of readings
AFTER_S: Final = 1.2  # of both, once no spray is asked for any more
MOST_AGE_S: Final = 0.5  # of a boost reading
APART_S: Final = 10.0  # between pulls as laid out: nothing lasts so long


def latest(values: Any, t_s: Any, max_age_s: float) -> Any:
    """Return the newest value at each row, as a guard takes it; NaN where that is too old."""
    at = np.where(np.isfinite(values), np.arange(len(values)), -1)
    at = np.maximum.accumulate(at)
    fresh = (at >= 0) & (t_s - t_s[np.maximum(at, 0)] <= max_age_s)
    return np.where(fresh, values[np.maximum(at, 0)], np.nan)


def command_of(rig: Rig, k: Constants, series: Series) -> Any:
    """Return the flow commanded at each row by the guard's own reckoning, mL/min; NaN: unknown."""
    ages_s = {terms.name: terms.max_age_s for terms in rig.channels}
    newest = {
        column: latest(series.column(name), series.t_s, ages_s.get(name, 0.0))
        for column in (ch.BOOST, ch.INJECTOR_DUTY, ch.COMMANDED, ch.COMMAND_PCT)
        for name in (ch.CHANNEL_NAMES[column - 1],)
    }
    rows = zip(*(values.tolist() for values in newest.values()), strict=True)
    command = np.array([commanded_flow_ml_min(k, *row) for row in rows])
    for column in essential_columns(rig):
        if column in newest:
            command[np.isnan(newest[column])] = np.nan
    return command


@dataclass(frozen=True, slots=True)
class Spraying:
    """Pulls one behind the other, each some seconds behind the last.

    Attributes:
        pulls: Which they are.
        t_s: Time as laid out, s, (n,).
        command: Commanded flow, mL/min, (n,).
        reading: Flow as read, mL/min; NaN where a row has none, (n,).
        boost: Gauge, kPa, (n,).
        pull: Which pull, an index into ``pulls``, (n,).
        seen: Whether the reading counts, (n,) of bool.
    """

    pulls: tuple[Pull, ...]
    t_s: Any
    command: Any
    reading: Any
    boost: Any
    pull: Any
    seen: Any

    def only(self, pulls: Any) -> "Spraying":
        """Return the same without the rows of other pulls; (len(pulls),) of bool."""
        keep = pulls[self.pull]
        rows = (self.t_s, self.command, self.reading, self.boost, self.pull, self.seen)
        return Spraying(self.pulls, *(column[keep] for column in rows))


def spraying(logs: Sequence[Series], rig: Rig) -> Spraying:
    """Cut the stretches of spray out of some logs."""
    k = constants_of(rig)
    commands = [command_of(rig, k, series) for series in logs]
    boosts = [latest(log.column("boost_kpa"), log.t_s, MOST_AGE_S) for log in logs]
    most = max((float(np.nanmax(c, initial=0.0)) for c in commands), default=0.0)
    pulls: list[Pull] = []
    parts: list[tuple[Any, ...]] = []
    begins_s = 0.0
    on = [np.nan_to_num(command) > ON_SHARE * most for command in commands]
    for pull, at in stretches(logs, on, [np.isfinite(command) for command in commands]):
        t_s, command = logs[pull.series].t_s[at], commands[pull.series][at]
        reading = logs[pull.series].column("delivered_ml_min")[at]
        seen = np.isfinite(reading) & (t_s >= pull.begins_s - SEEN_BEFORE_S)
        laid_s = t_s - t_s[0] + begins_s
        boost = boosts[pull.series][at]
        parts.append((laid_s, command, reading, boost, np.full(len(at), len(pulls)), seen))
        pulls.append(pull)
        begins_s = float(laid_s[-1]) + APART_S
    if not parts:
        none = np.empty(0)
        return Spraying((), none, none, none, none, none.astype(int), none.astype(bool))
    return Spraying(tuple(pulls), *(np.concatenate(column) for column in zip(*parts, strict=True)))


def stretches(
    logs: Sequence[Series], on: Sequence[Any], known: Sequence[Any]
) -> Iterator[tuple[Pull, Any]]:
    """Yield each stretch of spray, and the rows of its log in and around it that are ``known``.

    Args:
        logs: The logs.
        on: Where there is spray, for each (n,) of bool.
        known: Which rows may be used, for each (n,) of bool.
    """
    for i, log in enumerate(logs):
        at_s = log.t_s[on[i] & known[i]]
        if not len(at_s):
            continue
        cuts = np.flatnonzero(np.diff(at_s) > QUIET_S)
        firsts = at_s[np.concatenate(([0], cuts + 1))]
        lasts = at_s[np.concatenate((cuts, [len(at_s) - 1]))]
        for first_s, last_s in zip(firsts, lasts, strict=True):
            if last_s - first_s >= SHORTEST_S:
                begin, end = np.searchsorted(log.t_s, [first_s - BEFORE_S, last_s + AFTER_S])
                at = begin + np.flatnonzero(known[i][begin:end])
                later = np.concatenate(([True], np.diff(log.t_s[at]) > 0.0))
                yield Pull(i, float(first_s), float(last_s)), at[later]
