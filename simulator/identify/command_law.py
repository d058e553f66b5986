"""How the spray controller reckons its command, where the rig only guesses.

Each usual law (``rules.step.command``) is fitted to what was commanded, where a log has that, else
to what flowed, with delay and lag. It is fitted on one half of the pulls and judged on the other,
both ways. The simplest law that is nearly as good as the best is taken; the others that are as good
are its rivals: this log can't tell them apart.
"""

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from rules.facts import Command, CommandKind, Rig
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from simulator.identify.estimates import Estimate, Law, Series
from simulator.identify.model import delayed, filled, lagged
from simulator.identify.readings import rate_of
from simulator.identify.spraying import APART_S, command_of, latest, stretches

AS_GOOD: Final = 1.25  # times the best law's loss
EXACT: Final = 0.02  # less loss than that is none
SAME: Final = 0.1
EXPLAINS: Final = 6.0  # more loss than that, squared deviations, and no law does
ON_SHARE: Final = 0.06  # of the most
MOST_PULLS: Final = 8
STEP_S: Final = 0.02  # rows closer together are thinned out
SWITCH_KPA: Final = 12.0  # a law by boost that is no wider is a switch, trembling
A_SWITCH: Final = 3.0  # times its loss at most
LEAST_ROWS: Final = 100
LEAST_PULLS: Final = 6
PIECE_S: Final = 2.5  # where there are few pulls, pieces of them stand for pulls
FLOOR_SHARE, NOISE = 0.015, 0.04  # what is off counts in these: of the most, and of the reading
OUTLIER: Final = 5.0
GAIN_WITHIN: Final = 0.08
GAINS: Final = (0.6, 1.6)
GAIN_COSTS: Final = 0.02  # where a law could be had with a gain or without
DELAY_S, LAG_S = 0.09, 0.1  # where the search begins
NODES: Final = (5, 4)
RIDGE: Final = 0.3
NO_INTERVAL: Final = (
    "no interval is told: what the spray controller's own boost reads, and the flow's gain, move "
    "these numbers more than the log shows"
)
STEEP: Final = (CommandKind.FIXED, CommandKind.BOOST)
Parameters = Sequence[float]
KEYS: Final = {
    CommandKind.FIXED: ("start_boost",),
    CommandKind.BOOST: ("start_boost", "full_boost"),
    CommandKind.INJECTOR_DUTY: ("start_boost", "start_duty", "full_duty"),
}
FACTS: Final = {
    "start_boost": "start_boost_kpa",
    "full_boost": "full_boost_kpa",
    "start_duty": "start_duty_pct",
    "full_duty": "full_duty_pct",
}
UNITS: Final = {"start_boost": "kPa", "full_boost": "kPa", "start_duty": "%", "full_duty": "%"}
STEPS: Final = {"start_boost": 8.0, "full_boost": 15.0, "start_duty": 6.0, "full_duty": 10.0}


class _Rows:
    """Rows of spray and around it, pulls one behind the other, and what each law makes of them."""

    def __init__(self, parts: Sequence[tuple[Any, ...]], by_log: bool) -> None:
        rows_s, boost, duty, full, own, target = (
            np.concatenate(column) for column in zip(*(part[:6] for part in parts), strict=True)
        )
        self.by_log = by_log
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
        return np.where(self.boost >= x[0], np.clip(share, 0.0, 1.0) * self.full, 0.0)

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


class _Map:
    """Cells over boost and duty: the law that has all others in it."""

    def __init__(self, rows: _Rows, x: Parameters) -> None:
        on = rows.boost >= x[0]
        self.boost = np.linspace(x[0], np.quantile(rows.boost[on], 0.99), NODES[0])
        low, high = np.quantile(rows.duty[on], (0.02, 0.98))
        self.duty = np.linspace(float(low), float(high), NODES[1])
        above = np.where(on, rows.full, 0.0)
        hats = [
            np.interp(rows.boost, self.boost, one) * np.interp(rows.duty, self.duty, other) * above
            for one in np.eye(NODES[0])
            for other in np.eye(NODES[1])
        ]
        self.design = np.column_stack([rows.followed(hat, x) for hat in hats])
        self._rows = rows

    def cells(self, use: Any) -> Any:
        """Return the cells, shares, by least squares with neighbours alike."""
        rows, (n, m) = self._rows, NODES
        index = np.arange(n * m).reshape(n, m)
        bends = [line[i : i + 3] for line in (*index, *index.T) for i in range(len(line) - 2)]
        smooth = np.zeros((len(bends), n * m))
        for row, bend in zip(smooth, bends, strict=True):
            row[bend] = (1.0, -2.0, 1.0)
        weight = RIDGE * np.sqrt(use.sum())
        left = np.vstack((self.design[use] / rows.scale[use, None], weight * smooth))
        right = np.concatenate((rows.target[use] / rows.scale[use], np.zeros(len(bends))))
        return np.clip(np.linalg.lstsq(left, right, rcond=None)[0], 0.0, 1.0)

    def command(self, use: Any) -> Command:
        """Return the law as a rig says it."""
        shares = 100.0 * self.cells(use).reshape(NODES)
        return Command(
            CommandKind.MAP,
            float(self.boost[0]),
            map_boost_kpa=tuple(self.boost.tolist()),
            map_duty_pct=tuple(self.duty.tolist()),
            map_pct=tuple(tuple(row) for row in shares.tolist()),
        )

    def held_out(self) -> float:
        """Return the loss where cells of one half are judged on the other."""
        even = self._rows.group % 2 == 0
        losses = [self._rows.loss(self.design @ self.cells(h), ~h) for h in (even, ~even)]
        return sum(losses) / 2.0


def law_of(logs: Sequence[Series], rig: Rig) -> Law | str:
    """Return the command law that some logs speak for, or a sentence why there is none."""
    rows = _rows_of(logs, rig)
    if rows is None:
        return "not enough in this log: no spray and boost together, to learn its command from"
    every = np.ones(len(rows.target), bool)
    kinds = [CommandKind.FIXED, CommandKind.BOOST]
    if np.isfinite(rows.duty).all() and np.ptp(rows.duty) > 0.0:
        kinds = [*kinds, CommandKind.INJECTOR_DUTY]
    fits = {kind: rows.fit(kind, every) for kind in kinds}
    losses = {kind: rows.held_out(kind, x) for kind, x in fits.items()}
    cells = None
    if CommandKind.INJECTOR_DUTY in fits:
        cells = _Map(rows, fits[min(losses, key=lambda kind: losses[kind])])
        losses[CommandKind.MAP] = cells.held_out()
    best = min(losses.values())
    near = [kind for kind in losses if losses[kind] <= max(AS_GOOD * best, EXACT)]
    steep = np.diff(fits[CommandKind.BOOST][:2])[0] < SWITCH_KPA
    if steep and losses[CommandKind.FIXED] <= A_SWITCH * best:
        near = [CommandKind.FIXED, *(kind for kind in near if kind not in STEEP)]
    if best > EXPLAINS:
        return "no usual law of boost or injector duty explains this log's spray"
    x = fits[min(fits, key=lambda kind: losses[kind])]
    own = rows.loss(rows.followed(_own(rows, rig), fits.get(rig.command.kind, x)), every)
    holds = own <= max(AS_GOOD * losses[near[0]], SAME)
    if holds:  # what a person said stays, and its kind's numbers are told
        near = [rig.command.kind, *(kind for kind in near if kind is not rig.command.kind)]
    kind, rivals = near[0], tuple(near[1:])
    if kind in fits:
        from_ = f"{len(np.unique(rows.group))} pulls or pieces of them"
        numbers = tuple(
            Estimate(f"command.{key}", UNITS[key], value, from_=from_, why_not=NO_INTERVAL)
            for key, value in zip(KEYS[kind], fits[kind], strict=False)
        )
        return Law(_command(kind, fits[kind]), rivals, numbers, holds, rows.by_log)
    command = rig.command if holds or cells is None else cells.command(every)
    return Law(command, rivals, (), holds, rows.by_log)


def _command(kind: CommandKind, x: Parameters) -> Command:
    if kind is CommandKind.BOOST:
        return Command(kind, x[0], full_boost_kpa=x[1])
    if kind is CommandKind.INJECTOR_DUTY:
        return Command(kind, x[0], start_duty_pct=x[1], full_duty_pct=x[2])
    return Command(kind, x[0])


def _own(rows: _Rows, rig: Rig) -> Any:
    """Return the flow commanded by the rig's own law."""
    command = rig.command
    if command.kind in KEYS:
        named = [getattr(command, FACTS[key]) for key in KEYS[command.kind]]
        return np.minimum(rows.command(command.kind, named), command.rate_ml_min)
    return np.nan_to_num(rows.own)


def _rows_of(logs: Sequence[Series], rig: Rig) -> _Rows | None:
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
            target = np.where(np.isfinite(asked), asked, 0.01 * log.column(by_pct) * full)
        tables.append((boost, duty, full, command_of(rig, k, log), target))
    most = max((float(np.nanmax(table[4], initial=0.0)) for table in tables), default=0.0)
    if most <= 0.0:
        return None
    on = [np.nan_to_num(table[4]) > ON_SHARE * most for table in tables]
    found = list(stretches(logs, on, [np.isfinite(table[0]) for table in tables]))
    parts = []
    begins_s = 0.0
    for pull, rows in found[:: max(len(found) // MOST_PULLS, 1)]:
        period_s = rate_of(logs[pull.series].t_s).period_s
        at = rows[:: max(round(STEP_S / period_s), 1)]
        t_s = logs[pull.series].t_s[at]
        laid_s = t_s - t_s[0] + begins_s
        parts.append((laid_s, *(column[at] for column in tables[pull.series])))
        begins_s = float(laid_s[-1]) + APART_S
    if sum(len(part[0]) for part in parts) < LEAST_ROWS:
        return None
    return _Rows(parts, by_log)
