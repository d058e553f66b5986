"""Evidence and debt: a bar for each, up to its limit and beyond, and their history in more room."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from rich.segment import Segment

from monitor.screen.raster import Dots, drawn, fill, reach, thick
from monitor.screen.trace import Floats
from monitor.screen.view import Pane, Row, View
from monitor.screen.witness import witness_of
from monitor.words.literal import figure, or_nan
from monitor.words.palette import ACTION_ROLES, ACTION_SYMBOLS, UNKNOWN
from rules.step.evidence import CALM_NATS

TITLE_CELLS: Final = 19
TOP: Final = 1.25  # limits: where a bar is full, so that both limits stand below each other
LABEL_CELLS: Final = 7
BLOCK: Final = "▅"
_NAMES: Final = ("", "warn", "pull", "cut")  # by action's number
_ROOMY: Final = 66  # cells from which on limits are told beside the bars


@dataclass(frozen=True, slots=True)
class _Bar:
    """One of the two.

    Attributes:
        name: What it is called.
        figure: In words.
        value: NaN where unknown, 0 where it is not worth a look.
        limits: By action's number.
        passed: That of the highest limit that is passed; 0 where none is.
        judged: Whether all that judges the spray is healthy.
        idle: Whether it is, and still says nothing, since too little spray is due.
    """

    name: str
    figure: str
    value: float
    limits: dict[int, float]
    passed: int
    judged: bool
    idle: bool = False
    unit: str = ""
    decimals: int = 0

    @property
    def share(self) -> float:
        """How much of its last limit it is."""
        return self.value / self.last

    @property
    def last(self) -> float:
        """Its last limit."""
        return max(self.limits.values(), default=1.0)

    def limit(self, level: int) -> str:
        """Return the limit of an action in words: "cut 0.40 s"."""
        return f"{_NAMES[level]} {self.limits[level]:z.{self.decimals}f}{self.unit}"


class EvidenceAndDebt(Pane):
    """Evidence says whether spray is missing, debt how much.

    Healthy noise moves the evidence a little: as long as the rules call that calm too, it is only
    called low here, and no debt is told. So a healthy engine's bars stand still.
    """

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw both bars, then the history in whatever rows are left."""
        rows = [_row(view, bar, width) for bar in _bars(view)]
        if height >= 5:
            rows += _history(view, width, height - 2)
        return rows


def _limits(view: View) -> tuple[dict[int, float], dict[int, float]]:
    """Return the limits of evidence and of debt by action's number; a nonsensical one is none."""
    hello = view.picture.hello
    if hello is None:
        return {}, {}
    at = hello.thresholds
    given = ({1: at.warn_nats, 2: at.pull_nats}, {3: at.cut_s})
    evidence, debt = (
        {level: limit for level, limit in limits.items() if 0.0 < limit < 1e6} for limits in given
    )
    return evidence, debt


def _bars(view: View) -> Iterator[_Bar]:
    evidence, debt = _limits(view)
    now = view.picture.decision
    joined, debt_s = or_nan(now.evidence), or_nan(now.debt_s)
    # The charge's temperature speaks by itself as well; where others do, it adds as much at most.
    charge = now.charge_evidence or 0.0
    nats = max(joined, charge)
    low, judged = nats < CALM_NATS, now.all_healthy == 1.0
    witness = witness_of(view.picture)
    idle = low and not witness.judged(view.picture)
    if low and (idle or not judged):  # what isn't judged isn't known to be low
        nats = debt_s = float("nan")
        low = False
    past = max((level for level, limit in evidence.items() if nats >= limit), default=0)
    told = "low" if low else figure(nats, 0)
    yield _Bar("Evidence", told, 0.0 if low else nats, evidence, past, judged, idle)
    # However large, a debt does nothing until the evidence has pulled timing, and the flow, where
    # there is a sensor for it, speaks for it too: line pressure beside it never cuts boost, nor
    # does the charge's temperature.
    by_flow = max(0.5 * joined, joined - charge) - (now.line_evidence or 0.0)
    acts = past == 2 and (by_flow >= evidence.get(1, 0.0) or not witness.is_flow)
    past = max((level for level, limit in debt.items() if acts and debt_s >= limit), default=0)
    told = "none" if low else f"{figure(debt_s, 2)} s" if debt_s == debt_s else "--"
    yield _Bar("Debt", told, 0.0 if low else debt_s, debt, past, judged, idle, " s", 2)


def _at(share: float, cells: int) -> int:
    return min(cells - 1, int(min(1.0, max(0.0, share / TOP)) * cells))


def _row(view: View, bar: _Bar, width: int) -> Row:
    cells = max(4, width - TITLE_CELLS - 2 - (20 if width >= _ROOMY else 15))
    length = 1 + _at(bar.share, cells) if bar.share > 0.0 else 0
    ticks = {_at(limit / bar.last, cells) for limit in bar.limits.values()}
    # Low blocks, so that two bars stay two; a mark shows through.
    signs = "".join("┊" if x in ticks else BLOCK if x < length else "·" for x in range(cells))
    style = view.palette.graphic
    quiet = view.old or not bar.judged or not length
    left = [
        view.say(f" {bar.name:<9}", "strong"),
        view.say(f"{bar.figure:>8} ", "dim" if quiet else "ink"),
        Segment("▕", style["faint"]),
        Segment(signs[:length], style["short" if bar.passed else "mid"]),
        Segment(signs[length:], style["faint"]),
        Segment("▏", style["faint"]),
    ]
    return view.spread(left, [_beside(view, bar, width)], width)


def _beside(view: View, bar: _Bar, width: int) -> Segment:
    """Return what stands right of a bar: what is wrong with it, or the limits it has."""
    roomy = width >= _ROOMY
    if view.picture.frame is None:
        return view.say("")
    if view.old:
        return view.say(" ? old ", "unknown")
    if bar.passed:
        words = bar.limit(bar.passed) if roomy else _NAMES[bar.passed]
        return view.say(f" {ACTION_SYMBOLS[bar.passed]} past {words} ", ACTION_ROLES[bar.passed])
    if not bar.judged:
        return view.say(f" {UNKNOWN} not judged ", "unknown")
    if bar.idle:
        return view.say(" not judged ", "dim")
    told = [bar.limit(level) for level in bar.limits]
    return view.say(f"{', '.join(told if roomy else told[-1:])} ", "dim")


def _history(view: View, width: int, height: int) -> list[Row]:
    """Draw both as shares of their limits: what is low faintly, and no debt with it."""
    cells, rows = width - LABEL_CELLS - 1, height - 1
    start_s, end_s = view.axis_end_s - view.span_s, view.axis_end_s
    times_s = view.trace.column("time_s", start_s)
    evidence, debt = _limits(view)
    if cells < 4 or rows < 1 or not len(times_s) or not evidence or not debt:
        return []
    nats = view.trace.column("evidence", start_s)
    with np.errstate(invalid="ignore"):
        low = nats < CALM_NATS

    def dots_of(values: Floats, limit: float) -> Dots:
        with np.errstate(invalid="ignore"):
            share = np.clip(values / limit, 0.0, TOP)
        line = reach(times_s, share, start_s, end_s, 2 * cells)
        return fill(line.low, line.high, 0.0, TOP, 4 * rows)

    graphic, every = view.palette.graphic, np.arange(2 * cells)
    loud, quiet = np.where(low, np.nan, nats), np.where(low, nats, np.nan)
    owed = np.where(low, np.nan, view.trace.column("debt_s", start_s))
    flat = np.ones(2 * cells)
    limit = fill(flat, flat, 0.0, TOP, 4 * rows) & (every % 6 == 0)[None, :]
    sure, most = max(evidence.values()), max(debt.values())
    layers = [
        (thick(dots_of(loud, sure), heavy=view.palette.heavy), graphic["ink"]),
        (dots_of(owed, most) & (every % 4 < 2)[None, :], graphic["mid"]),
        (dots_of(quiet, sure), graphic["faint"]),
        (limit, graphic["faint"]),
    ]
    labels = {rows - 1: "0", int(np.flatnonzero(limit.any(axis=1))[0]) // 4: "limit"}
    title = f" Over {view.span_s:zg} s{'' if view.frozen is None else ', frozen'}  "
    return [
        [
            view.say(title, "dim"),
            Segment("⠤⠤", graphic["ink"]),
            view.say(" evidence  ", "dim"),
            Segment("⠒ ⠒", graphic["mid"]),
            view.say(" debt", "dim"),
        ],
        *(
            [view.say(f"{labels.get(y, ''):>{LABEL_CELLS}}│", "dim"), *segments]
            for y, segments in enumerate(drawn(layers, view.ground()))
        ),
    ]
