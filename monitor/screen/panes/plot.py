"""The main picture: what feels the spray, and what it should read, over time."""

from collections.abc import Callable
from itertools import groupby
from math import ceil, floor, log10
from operator import itemgetter

import numpy as np
from rich.segment import Segment

from monitor.screen.panes.banner import age
from monitor.screen.picture import Link
from monitor.screen.raster import Dots, Reach, drawn, fill, reach, thick
from monitor.screen.trace import Floats
from monitor.screen.view import Pane, Row, View, width_of
from monitor.screen.witness import CHARGE, witness_of
from monitor.words.literal import or_nan
from monitor.words.palette import ACTION_ROLES, ACTION_SYMBOLS, UNKNOWN
from monitor.words.units import METRIC

LABEL_CELLS = 6
TELLING = 0.01  # of the axis: a flow less below the band than that is none to speak of
_STEPS = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def round_top(value: float) -> float:
    """Return the next round number at or above a positive value, for the top of an axis."""
    if not value > 0.0:
        return 1.0
    decade = 10.0 ** floor(log10(value))
    return next(step for step in _STEPS if step * decade >= value * (1.0 - 1e-9)) * decade


class SprayPlot(Pane):
    """Braille plot of the car's witness; where that surely speaks of missing spray, it says so."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw legend, plot and time axis."""
        trace = view.trace
        cells, rows = width - LABEL_CELLS - 1, height - 2
        if cells < 4 or rows < 1:
            return []
        end_s = view.axis_end_s
        start_s = end_s - view.span_s
        times_s = trace.column("time_s", start_s)
        lines_of = series_of(view, lambda name: trace.column(name, start_s))
        # With neither boost nor reading, command and expectation are only what was held before.
        blind = np.isnan(trace.column("boost_kpa", start_s)) & np.isnan(lines_of["reading"])
        if blind.any():
            lines_of = {name: np.where(blind, np.nan, line) for name, line in lines_of.items()}
        evidence = trace.column("evidence", start_s)
        top, lines = plotted(view, times_s, lines_of, evidence, start_s, end_s, cells, rows)
        plot = [[view.say(axis_label(y, rows, top), "dim"), *line] for y, line in enumerate(lines)]
        return [
            legend(view, width),
            *plot,
            _time_axis(view, times_s, trace.column("action", start_s), blind, start_s, cells),
        ]


def series_of(view: View, column: Callable[[str], Floats]) -> dict[str, Floats]:
    """Return what is plotted, in the view's unit; ``column`` returns a column of the trace."""
    return witness_of(view.picture).series(view.picture, view.units, column)


def _top(view: View, series: dict[str, Floats]) -> float:
    """Return the top of the axis, in the view's unit: what the rig can give, or more."""
    witness = witness_of(view.picture)
    top = view.units.value(witness.top(view.picture), witness.unit)
    for name in ("commanded", "due", "reading"):
        if len(series.get(name, ())):
            top = max(top, float(np.fmax.reduce(series[name], initial=0.0)))
    return round_top(top if 0.0 < top < 1e7 else 100.0)


def plotted(
    view: View,
    times_s: Floats,
    series: dict[str, Floats],
    evidence: Floats,
    start_s: float,
    end_s: float,
    cells: int,
    rows: int,
) -> tuple[float, list[list[Segment]]]:
    """Draw what is plotted into rows of cells.

    Args:
        view: What is shown.
        times_s: Its times.
        series: As from ``series_of``.
        evidence: At those times, nats.
        start_s: Left edge.
        end_s: Right edge.
        cells: Width.
        rows: Height.

    Returns:
        Top of the axis, and the rows.
    """
    top = _top(view, series)
    columns, dot_rows = 2 * cells, 4 * rows

    def line_of(values: Floats) -> Reach:
        return reach(times_s, values, start_s, end_s, columns)

    def thin(line: Reach) -> Dots:
        return fill(line.low, line.high, 0.0, top, dot_rows)

    reading = series["reading"]
    missing = witness_of(view.picture).missing(series, TELLING * top)
    with np.errstate(invalid="ignore"):
        short = (missing != 0.0) & (evidence >= _warned_at(view))
    below = np.where(short, reading, np.nan)
    line = line_of(reading)
    least, most = line_of(series["least"]), line_of(series["most"])
    dots = thick(thin(line), heavy=view.palette.heavy)
    band = fill(least.low, most.high, 0.0, top, dot_rows)
    # A sparse screen of dots for the band, dashes for the command: told apart without colour.
    band &= (np.arange(columns)[None, :] + 2 * np.arange(dot_rows)[:, None]) % 4 == 0
    style = view.palette.graphic
    layers = [
        (dots & ~np.isnan(line_of(below).low)[None, :], style["short"]),
        (dots, style["ink"]),
        (thin(line_of(series["due"])), style["mid"]),
    ]
    if "commanded" in series:
        dashes = thin(line_of(series["commanded"])) & (np.arange(columns) % 4 < 2)[None, :]
        layers.append((dashes, style["faint"]))
    layers.append((band, style["faint"]))
    return top, drawn(layers, view.ground())


def _warned_at(view: View) -> float:
    """Return the evidence from which on a reading outside the band is called so.

    Noise alone takes a healthy reading there now and then.
    """
    hello = view.picture.hello
    return hello.thresholds.warn_nats if hello else float("inf")


def _missing_now(view: View) -> str:
    """Say by how much the reading speaks of missing spray; empty where it doesn't."""
    picture, witness = view.picture, witness_of(view.picture)
    if not or_nan(picture.decision.evidence) >= _warned_at(view):
        return ""
    now = witness.series(picture, METRIC, lambda name: np.array([picture.trace.newest(name)]))
    by = float(witness.missing(now, TELLING * witness.top(picture))[0])
    unit = "K" if witness.unit == "°C" else witness.unit  # a difference
    return f"{'short' if by > 0.0 else 'high'} by {view.units.figure(abs(by), unit, 0)}" * (by != 0)


def axis_label(y: int, rows: int, top: float) -> str:
    """Return what stands left of a row of a plot: a number at top, middle and bottom."""
    middle = round((4 * rows - 1) / 2) // 4
    if y == 0:
        value = top
    elif y == rows - 1:
        value = 0.0
    elif y == middle and rows >= 5:
        value = top / 2.0
    else:
        return " " * LABEL_CELLS + "│"
    return f"{f'{value:zg}'[:LABEL_CELLS]:>{LABEL_CELLS}}┤"


def legend(view: View, width: int) -> Row:
    """Return the plot's heading: its signs, and on the right what is wrong now."""
    graphic = view.palette.graphic
    units = view.units
    picture, witness = view.picture, witness_of(view.picture)
    left = [view.say(f" {witness.title}, {units.unit(witness.unit)}  ", "strong")]
    reading, due = witness.signs
    signs: list[Row] = [
        [Segment("⠤⠤", graphic["ink"]), view.say(f" {reading}  ")],
        [Segment("⠉⠉", graphic["mid"]), view.say(f" {due}  ", "dim")],
    ]
    if witness is not CHARGE:
        signs.append([Segment("⢕⢕", graphic["faint"]), view.say(" plausible  ", "dim")])
    if witness.is_flow:
        signs.append([Segment("⠒ ⠒", graphic["faint"]), view.say(" commanded ", "dim")])
    right: Row = []
    if view.frozen is not None:
        right = [view.say(f" frozen {age(view.now_s - view.frozen.at_s)} ago ", "chosen")]
    elif view.link is not Link.LIVE and picture.frame is not None:
        right = [view.say(" ? old ", "unknown")]
    elif missing := _missing_now(view):
        right = [view.say(f" ! {missing} ", "pull")]
    # What is wrong now goes before what the signs mean.
    room = width - width_of(left) - width_of(right) - 1
    for sign in signs:
        room -= width_of(sign)
        if room < 0:
            break
        left += sign
    return view.spread(left, right, width)


class Cells:
    """A row of signs: one, and its role, in each cell."""

    def __init__(self, count: int, role: str, sign: str = " ") -> None:
        self.signs, self.roles = [sign] * count, [role] * count

    def put(self, x: int, sign: str, role: str) -> None:
        """Put a sign into a cell; nothing where the cell is outside, on the left."""
        if x >= 0:
            self.signs[x], self.roles[x] = sign, role

    def write(self, text: str, begin: int, role: str) -> bool:
        """Write a text where all its cells are empty; return whether they were."""
        end = begin + len(text)
        if begin < 0 or end > len(self.signs) or any(c != " " for c in self.signs[begin:end]):
            return False
        self.signs[begin:end] = text
        self.roles[begin:end] = [role] * len(text)
        return True

    def row(self, view: View) -> Row:
        """Return the row."""
        styles = {"faint": view.palette.graphic["faint"], **view.palette.text}
        pairs = zip(self.roles, self.signs, strict=True)
        return [
            Segment("".join(sign for _, sign in run), styles[role])
            for role, run in groupby(pairs, key=itemgetter(0))
        ]


class TimeScale:
    """Where a time is, in cells."""

    def __init__(self, start_s: float, end_s: float, cells: int) -> None:
        self.start_s, self.end_s, self.cells = start_s, end_s, cells

    def cell(self, time_s: float) -> int:
        """Return the cell a time is in; -1 where it is outside."""
        share = (time_s - self.start_s) / (self.end_s - self.start_s)
        if not -1e-9 <= share <= 1.0 + 1e-9:
            return -1
        return min(self.cells - 1, max(0, ceil(share * self.cells - 1e-6) - 1))


def through(line: Row, cell: int, sign: str, style: object) -> Row:
    """Put a sign into a cell of a row, where the cell is empty."""
    if cell < 0:
        return line
    row: Row = []
    x = 0
    for segment in line:
        text = segment.text
        inside = cell - x
        if 0 <= inside < len(text) and text[inside] == " ":
            row += [
                Segment(text[:inside], segment.style),
                Segment(sign, style),  # type: ignore[arg-type]
                Segment(text[inside + 1 :], segment.style),
            ]
        else:
            row.append(segment)
        x += len(text)
    return row


def _time_axis(
    view: View, times_s: Floats, actions: Floats, blind: Dots, start_s: float, cells: int
) -> Row:
    """Times below the plot, the symbol of each action where it was taken, "?" where data ceased."""
    right = "now" if view.link is Link.LIVE else "last" if view.link is Link.GONE else "no data"
    if view.frozen is not None:
        right = "frozen"
    axis = Cells(cells, "dim")
    free = max(1, cells - len(right) - 1)
    for i in np.flatnonzero(blind[1:] & ~blind[:-1]) + 1:
        x = ceil((times_s[i] - start_s) / view.span_s * cells) - 1
        if x < free:
            axis.put(x, UNKNOWN, "unknown")
    if len(actions) > 1:
        known = np.nan_to_num(actions, nan=0.0)
        for i in np.flatnonzero(np.diff(known) > 0.0) + 1:
            x = ceil((times_s[i] - start_s) / view.span_s * cells) - 1
            level = min(3, max(0, int(known[i])))
            axis.put(min(x, free - 1), ACTION_SYMBOLS[level], ACTION_ROLES[level])
    half = f"-{view.span_s / 2:zg} s"
    for text, at in (
        (right, free + 1),
        (f"-{view.span_s:zg} s", 0),
        (half, cells // 2 - len(half) // 2),
    ):
        axis.write(text, at, "dim")
    return [view.say(" " * LABEL_CELLS + "└", "dim"), *axis.row(view)]
