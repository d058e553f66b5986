"""How the spray controller reckons its command, where the rig only guesses.

Each usual law (``rules.step.command``) is fitted to what was commanded, where a log has that, else
to what flowed, with delay and lag. It is fitted on one half of the pulls and judged on the other,
both ways. The simplest law that is nearly as good as the best is taken; the others that are as good
are its rivals: this log can't tell them apart.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from rules.facts import Command, CommandKind, Rig
from simulator.identify.estimates import Estimate, Law, Series
from simulator.identify.law_rows import KEYS, Parameters, Rows, rows_of

AS_GOOD: Final = 1.25  # times the best law's loss
GUESS_AS_GOOD: Final = 1.05  # numbers that nobody set, times the loss of their kind's best
EXACT: Final = 0.02  # less loss than that is none
SAME: Final = 0.1  # as little, and the rig's own law holds
EXPLAINS: Final = 6.0  # more loss than that, squared deviations, and no law does
SWITCH_KPA: Final = 12.0  # a law by boost that is no wider is a switch, trembling
A_SWITCH: Final = 3.0  # times its loss at most
NODES: Final = (5, 4)
RIDGE: Final = 0.3
NO_INTERVAL: Final = (
    "no interval is told: what the spray controller's own boost reads, and the flow's gain, move "
    "these numbers more than the log shows"
)
NO_TARGET: Final = (
    "not enough in this log: neither command nor flow beside boost; the rig's [command] is used"
)
BY_SPEED: Final = (
    "not enough in this log: where the pump's speed follows the command, a command in percent "
    "alone tells its law; the rig's [command] is used"
)
STEEP: Final = (CommandKind.FIXED, CommandKind.BOOST)
FACTS: Final = {
    "start_boost": "start_boost_kpa",
    "full_boost": "full_boost_kpa",
    "start_duty": "start_duty_pct",
    "full_duty": "full_duty_pct",
}
UNITS: Final = {"start_boost": "kPa", "full_boost": "kPa", "start_duty": "%", "full_duty": "%"}


class _Map:
    """Cells over boost and duty: the law that has all others in it."""

    def __init__(self, rows: Rows, x: Parameters) -> None:
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


def law_of(logs: Sequence[Series], rig: Rig, *, guessed: bool = False) -> Law | str:
    """Return the command law that some logs speak for, or a sentence why there is none.

    Args:
        logs: The logs.
        rig: With a law of its own.
        guessed: Whether nobody set that: it stays only where it explains them as well as the best.
    """
    in_pct = any(np.isfinite(log.column("command_pct")).any() for log in logs)
    if rig.spray.pump.follows_command and not in_pct:
        return BY_SPEED
    rows = rows_of(logs, rig)
    if rows is None:
        return NO_TARGET
    every = np.ones(len(rows.target), bool)
    kinds = [CommandKind.FIXED, CommandKind.BOOST]
    if np.isfinite(rows.duty).all() and np.ptp(rows.duty) > 0.0:
        kinds = [*kinds, CommandKind.INJECTOR_DUTY]
    fits = {kind: rows.fit(kind, every) for kind in kinds}
    losses = {kind: rows.held_out(kind, x) for kind, x in fits.items()}
    cells = None
    if CommandKind.INJECTOR_DUTY in fits and not rows.by_speed:  # no sum of cells then
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
    own = rows.least_loss(_own(rows, rig), fits.get(rig.command.kind, x))
    as_guess = guessed and rig.command.kind in near and rig.command.kind in fits
    most = GUESS_AS_GOOD * losses[rig.command.kind] if as_guess else AS_GOOD * losses[near[0]]
    holds = own <= max(most, SAME)
    if holds or as_guess:  # what a person said stays, and its kind's numbers are told
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


def _own(rows: Rows, rig: Rig) -> Any:
    """Return the flow commanded by the rig's own law."""
    command = rig.command
    if command.kind in KEYS:
        named = [getattr(command, FACTS[key]) for key in KEYS[command.kind]]
        return np.minimum(rows.command(command.kind, named), command.rate_ml_min)
    return np.nan_to_num(rows.own)
