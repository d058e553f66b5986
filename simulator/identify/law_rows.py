"""Rows of spray and around it, and how well each usual command law explains them."""

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from rules.facts import CommandKind, Rig
from rules.step.constants import Constants
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from simulator.identify.estimates import Series
from simulator.identify.model import delayed, filled, lagged
from simulator.identify.readings import rate_of
from simulator.identify.spraying import APART_S, command_of, latest, stretches

ON_SHARE: Final = 0.06  # of the most
MOST_PULLS: Final = 8
STEP_S: Final = 0.02  # rows closer together are thinned out
LEAST_ROWS: Final = 100
LEAST_PULLS: Final = 6
PIECE_S: Final = 2.5  # where there are few pulls, pieces of them stand for pulls
FLOOR_SHARE, NOISE = 0.015, 0.04  # what is off counts in these: of the most, and of the reading
OUTLIER: Final = 5.0
GAIN_WITHIN: Final = 0.08
GAINS: Final = (0.6, 1.6)
GAIN_COSTS: Final = 0.02  # where a law could be had with a gain or without
DELAY_S, LAG_S = 0.09, 0.1  # where the search begins
Parameters = Sequence[float]  # of a law, delay (s) and lag (s) behind them
KEYS: Final = {
    CommandKind.FIXED: ("start_boost",),
    CommandKind.BOOST: ("start_boost", "full_boost"),
    CommandKind.INJECTOR_DUTY: ("start_boost", "start_duty", "full_duty"),
}
STEPS: Final = {"start_boost": 8.0, "full_boost": 15.0, "start_duty": 6.0, "full_duty": 10.0}


def part_of(k: Constants, boost: Any, full: Any, share: Any) -> Any:
    """Return what shares of full command give, mL/min, as ``rules.step.command`` does, (n,)."""
    share = np.clip(share, 0.0, 1.0)
    if k.follows_command == 0.0:
        return share * full
    across = k.conductance_sq * (k.shut_off_kpa * share**2 - boost - k.check_valve_kpa)
    half = 0.5 * k.conductance_sq_slope * share
    return np.where(
        (share > 0.0) & (across > 0.0), np.sqrt(half**2 + np.maximum(across, 0.0)) - half, 0.0
    )


class Rows:
    """Rows of spray and around it, pulls one behind the other, and what each law makes of them."""

    def __init__(self, parts: Sequence[tuple[Any, ...]], by_log: bool, k: Constants) -> None:
        rows_s, boost, duty, full, own, target = (
            np.concatenate(column) for column in zip(*(part[:6] for part in parts), strict=True)
        )
        self.by_log, self._k = by_log, k
        self.by_speed = k.follows_command > 0.0
        every = np.arange(len(rows_s))
        fine: tuple[Any, Any] = (rows_s, every) if by_log else filled(rows_s, STEP_S)
        self.t_s, self.at = fine
        self.boost, self.duty, self.full, self.own = (
            np.interp(self.t_s, rows_s, values) for values in (boost, duty, full, own)
        )
        self.read = np.isfinite(target)
        self.target = target[self.read]
        self.most = float(np.quantile(self.target, 0.98))
        self.scale = np.hypot(FLOOR_SHARE * self.most, NOISE * self.target)
        n = len(parts)
        self.group = np.repeat(np.arange(n), [len(part[0]) for part in parts])[self.read]
        if n < LEAST_PULLS:
            self.group = (rows_s[self.read] / PIECE_S).astype(int)

    def command(self, kind: CommandKind, x: Parameters) -> Any:
        """Return the flow commanded by a law."""
        if kind is CommandKind.FIXED:
            share = np.ones(len(self.boost))
        elif kind is CommandKind.BOOST:
            share = (self.boost - x[0]) / max(x[1] - x[0], 1.0)
        else:
            share = (self.duty - x[1]) / max(x[2] - x[1], 1.0)
        return np.where(self.boost >= x[0], part_of(self._k, self.boost, self.full, share), 0.0)

    def followed(self, command: Any, x: Parameters) -> Any:
        """Return what is read of a command, gain 1; the last two numbers are delay and lag."""
        if not self.by_log:
            command = lagged(
                self.t_s, delayed(self.t_s, command, self.t_s, x[-2]), max(x[-1], 0.003)
            )
        return command[self.at][self.read]

    def loss(self, model: Any, use: Any) -> float:
        """Return the mean squared deviation of some readings, outliers held; gain within reason."""
        a, b = (model / self.scale)[use], (self.target / self.scale)[use]
        gain = float(np.clip((a * b).sum() / max((a * a).sum(), 1e-9), *GAINS))
        unlikely = 1.0 + GAIN_COSTS * ((gain - 1.0) / GAIN_WITHIN) ** 2
        return unlikely * float(np.minimum((b - gain * a) ** 2, OUTLIER**2).mean())

    def fit(self, kind: CommandKind, use: Any, x: Parameters | None = None) -> tuple[float, ...]:
        """Return the law's numbers, delay and lag behind them, that explain some readings best."""

        def of(x: Parameters) -> float:
            return self.loss(self.followed(self.command(kind, x), x), use)

        steps = (*(STEPS[key] for key in KEYS[kind]), 0.03, 0.03)
        if x is None:
            starts = [(*start, DELAY_S, LAG_S) for start in self._starts(kind)]
            starts.sort(key=of)
            return min((_descended(of, start, steps, 8) for start in starts[:2]), key=of)
        return _descended(of, x, [0.25 * step for step in steps], 6)

    def least_loss(self, command: Any, x: Parameters) -> float:
        """Return the loss of a flow commanded, with the delay and lag that suit it, not a law's.

        Boost rises through a switch point in some tens of milliseconds: a point too low comes with
        a delay too long, which suits no other.
        """

        def of(x: Parameters) -> float:
            return self.loss(self.followed(command, x), np.ones(len(self.target), bool))

        return of(x if self.by_log else _descended(of, x[-2:], (0.03, 0.03), 8))

    def _starts(self, kind: CommandKind) -> list[tuple[float, ...]]:
        flows = self.target > ON_SHARE * self.most
        boost = self.boost[self.at][self.read]
        low, high = np.quantile(boost, 0.02), np.quantile(boost[flows], 0.98)
        switches = np.linspace(low, high, 16)
        if kind is CommandKind.FIXED:
            return [(float(a),) for a in switches]
        if kind is CommandKind.BOOST:
            return [(float(a), float(a + b)) for a in switches for b in (15.0, 40.0, 80.0, 140.0)]
        duties = np.linspace(5.0, float(np.quantile(self.duty, 0.98)), 8)
        return [
            (float(a), float(d), float(d + b))
            for a in switches[::3]
            for d in duties
            for b in (15.0, 35.0, 60.0, 90.0)
        ]

    def held_out(self, kind: CommandKind, x: Parameters) -> float:
        """Return the loss where a law, fitted on one half, is judged on the other."""
        even = self.group % 2 == 0
        losses = []
        for half in (even, ~even):
            fitted = self.fit(kind, half, x)
            losses.append(self.loss(self.followed(self.command(kind, fitted), fitted), ~half))
        return sum(losses) / 2.0


def _descended(
    of: Callable[[Parameters], float], x: Parameters, steps: Sequence[float], rounds: int
) -> tuple[float, ...]:
    """Return where a function is least, by steps along each axis that are halved in turn."""
    now, least, steps = list(x), of(x), list(steps)
    for _ in range(rounds):
        moved = True
        tries = 0
        while moved and tries < 4:
            moved, tries = False, tries + 1
            for i, step in enumerate(steps):
                for to in (now[i] + step, now[i] - step):
                    trial = [*now[:i], to, *now[i + 1 :]]
                    value = of(trial)
                    if value < least:
                        now, least, moved = trial, value, True
                        break
        steps = [0.5 * step for step in steps]
    return tuple(now)


def rows_of(logs: Sequence[Series], rig: Rig) -> Rows | None:
    """Return the rows to learn from: of the logged command where there is one, else of the flow."""
    k = constants_of(rig)
    by_flow, by_pct = ("commanded_ml_min", "command_pct")
    by_log = any(np.isfinite(log.column(name)).any() for log in logs for name in (by_flow, by_pct))
    tables = []
    for log in logs:
        boost, duty = (
            latest(log.column(n), log.t_s, 0.5) for n in ("boost_kpa", "injector_duty_pct")
        )
        full = np.array([full_flow_ml_min(k, value) for value in boost.tolist()])
        target = log.column("delivered_ml_min")
        if by_log:
            asked = log.column(by_flow)
            if k.follows_command > 0.0:
                asked = np.full(len(asked), np.nan)  # only a share of speed needs no pump's curve
            asked_pct = part_of(k, boost, full, 0.01 * log.column(by_pct))
            target = np.where(np.isfinite(asked), asked, asked_pct)
        tables.append((boost, duty, full, command_of(rig, k, log), target))
    most = max((float(np.nanmax(table[4], initial=0.0)) for table in tables), default=0.0)
    if most <= 0.0:
        return None
    on = [np.nan_to_num(table[4]) > ON_SHARE * most for table in tables]
    found = list(stretches(logs, on, [np.isfinite(table[0]) for table in tables]))
    parts = []
    begins_s = 0.0
    for pull, rows in found[:: max(len(found) // MOST_PULLS, 1)]:
        t_s = logs[pull.series].t_s[rows]
        each = max(round(STEP_S / rate_of(t_s).period_s), 1)
        t_s, at = t_s[::each], rows[::each]
        laid_s = t_s - t_s[0] + begins_s
        parts.append((laid_s, *(column[at] for column in tables[pull.series])))
        begins_s = float(laid_s[-1]) + APART_S
    if sum(len(part[0]) for part in parts) < LEAST_ROWS:
        return None
    return Rows(parts, by_log, k)
