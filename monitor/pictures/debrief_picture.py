"""A debrief as one picture: the truth on the traces, who acted when, what it cost, the score."""

import re
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from monitor.attach.drilling import Debriefing, TracePoints
from monitor.pictures.figure import DPI, new_figure, open_axis, plain, save_figure
from monitor.pictures.plot_panels import INK
from monitor.words.debriefing import (
    ADVISES,
    COST_HEAD,
    HARM_WORDS,
    By,
    Happened,
    called,
    costs,
    happened,
    traces_shown,
)
from monitor.words.literal import plain as on_one_line
from monitor.words.palette import OKABE_ITO
from monitor.words.units import METRIC, Units

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_PX: Final = (1200, 1600)
MOST_TRACES: Final = 4
_GRID: Final = "#E4E6E9"
_BLUE: Final = OKABE_ITO["blue"]
_BEFORE_S, _AFTER_S = 3.0, 4.0  # shown around what happened
_LEAST_S: Final = 8.0
# Whose doing it was: its row, from the top, and how its line goes through the traces.
_ROWS: Final[dict[By, tuple[str, Any]]] = {
    By.FAULT: (INK, "-"),
    By.SIGN: (OKABE_ITO["bluish_green"], (0, (1, 1.5))),
    By.GUARD: (OKABE_ITO["vermillion"], (0, (5, 2))),
    By.YOU: (OKABE_ITO["reddish_purple"], (0, (7, 2, 1, 2))),
}
_HARM: Final = {
    "driven": (_BLUE, "-"),
    "guard": (OKABE_ITO["vermillion"], (0, (5, 2))),
    "nobody": (INK, (0, (1, 1.5))),
}
_LETTER_PX: Final = 6.8  # of a row's words
_JOINED_PX: Final = 14.0
_SUB_LINES: Final = 3


def save_debrief(debrief: Debriefing, path: Path, units: Units = METRIC) -> None:
    """Draw a debrief and write the picture.

    Args:
        debrief: The truth of a drive.
        path: New file, ``.png`` or ``.svg``.
        units: In which figures are shown.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    save_figure(lambda: draw(debrief, units), path)


def draw(debrief: Debriefing, units: Units = METRIC) -> "Figure":
    """Return the figure, 1200 by 1600 pixels at 120 dots an inch."""
    figure = new_figure(*SIZE_PX)
    _text(figure, 0.035, 0.988, [_head(debrief)], 14, weight="bold")
    truth = units.sentence(f"Truth: {debrief.truth}. {called(debrief)}")
    _text(figure, 0.035, 0.966, _lines(truth, 124, 3), 9.5)
    events = happened(debrief)
    traces = traces_shown(debrief, MOST_TRACES)
    heights = [1.25, *[1.0] * len(traces), 0.9]
    bottom, top = 0.285, 0.925
    axes: Sequence[Axes] = figure.subplots(
        len(heights),
        1,
        sharex=True,
        height_ratios=heights,
        gridspec_kw={"left": 0.098, "right": 0.965, "top": top, "bottom": bottom, "hspace": 0.16},
    )
    start_s, end_s = stretch(debrief, events)
    axes[0].set_xlim(start_s, end_s)
    _strip(axes[0], events, units)
    for axis, trace in zip(axes[1:-1], traces, strict=True):
        _trace(axis, debrief, trace, units)
    _harm(axes[-1], debrief)
    for axis in axes[1:]:
        _finish(axis, events)
    whole_s = debrief.time_s[-1] if debrief.time_s else 0.0
    axes[-1].set_xlabel(
        f"time, s ({start_s:z.1f} to {end_s:z.1f} of {whole_s:z.1f} s)", fontsize=8.5
    )
    _below(figure, debrief, units)
    return figure


def stretch(debrief: Debriefing, events: Sequence[Happened]) -> tuple[float, float]:
    """Return the time around what happened, seconds; the whole drive where nothing did."""
    whole_s = max(debrief.time_s[-1], 1e-3) if debrief.time_s else 1.0
    if not events:
        return 0.0, whole_s
    start_s = max(0.0, events[0].time_s - _BEFORE_S)
    end_s = max(events[-1].time_s + _AFTER_S, start_s + _LEAST_S)
    return max(0.0, min(start_s, whole_s - _LEAST_S)), min(end_s, whole_s)


def _head(debrief: Debriefing) -> str:
    title = on_one_line(debrief.title, 60)
    return f"{title}, {on_one_line(debrief.alias, 30)}: {debrief.score:z.0f} of 100"


def _text(
    figure: "Figure", x: float, y: float, lines: Sequence[str], size: float, **more: Any
) -> float:
    """Write lines downwards from ``y``, and return where the next may begin."""
    for line in lines:
        figure.text(x, y, plain(line), fontsize=size, va="top", color=INK, **more)
        y -= 1.38 * size / 72.0 * DPI / SIZE_PX[1]
    return y


def _strip(axis: "Axes", events: Sequence[Happened], units: Units) -> None:
    """Draw what happened, a row for whose doing it was; the last has lines for its words."""
    begin_s = axis.get_xlim()[0]
    bottom = len(_ROWS) + _SUB_LINES - 1
    axis.set_ylim(bottom, 0.0)
    axis.set_yticks([row + 0.5 for row in range(len(_ROWS))], [by.value for by in _ROWS])
    axis.tick_params(length=0, labelbottom=False, labelsize=8.5)
    for side in ("top", "right", "bottom", "left"):
        axis.spines[side].set_visible(False)
    for row, (by, (colour, style)) in enumerate(_ROWS.items()):
        axis.axhline(row + 0.5, color=_GRID, lw=0.8, zorder=0.5)
        own = [one for one in events if one.by is by]
        for one in own:
            axis.plot([one.time_s] * 2, [row + 0.5, bottom], color=colour, ls=style, lw=1.1)
            axis.plot([one.time_s], [row + 0.5], "o", color=colour, ms=5.5, zorder=3)
        _words(axis, row, _SUB_LINES if by is By.YOU else 1, own, units)
    if not events:
        axis.text(begin_s, 0.5, " nothing happened", va="center", fontsize=8)


def _words(axis: "Axes", row: int, lines: int, events: Sequence[Happened], units: Units) -> None:
    """Write a row's words where there is room: right of the dot, left of it, or a line lower.

    What comes at nearly the same time is told as one; what finds no room isn't told.
    """
    begin_s, end_s = axis.get_xlim()
    per_px = (end_s - begin_s) / (0.867 * SIZE_PX[0])
    told: list[tuple[float, float, list[str]]] = []  # from, to, words
    for one in events:
        if told and one.time_s - told[-1][1] < _JOINED_PX * per_px:
            told[-1] = told[-1][0], one.time_s, [*told[-1][2], one.short]
        else:
            told.append((one.time_s, one.time_s, [one.short]))
    taken_s = [begin_s] * lines
    for i, (from_s, to_s, words) in enumerate(told):
        text = plain(units.sentence(", ".join(words)))
        needs_s = (_LETTER_PX * len(text) + 18.0) * per_px
        for line in range(lines):
            last = told[i - 1][1] if i and line == 0 else begin_s
            free_s = max(taken_s[line], last)
            next_s = told[i + 1][0] if line == 0 and i + 1 < len(told) else end_s
            if free_s <= to_s and next_s - to_s >= needs_s:
                x, side, taken_s[line] = to_s + 8.0 * per_px, "left", to_s + needs_s
            elif from_s - free_s >= needs_s:
                x, side, taken_s[line] = from_s - 8.0 * per_px, "right", from_s
            else:
                continue
            y = row + 0.5 + line
            axis.text(x, y, text, ha=side, va="center", fontsize=8, bbox=_BEHIND)
            break


_BEHIND: Final = {"facecolor": "white", "alpha": 0.85, "edgecolor": "none", "pad": 0.8}


def _trace(axis: "Axes", debrief: Debriefing, trace: TracePoints, units: Units) -> None:
    """Draw a reading as driven, and as it would have been without the fault."""
    metric = "°C" if trace.unit == "degC" else trace.unit
    times_s = np.array(debrief.time_s, dtype=float)
    zero = units.value(0.0, metric)
    factor = units.value(1.0, metric) - zero
    shown = []
    for points, colour, style, label in (
        (trace.healthy, INK, (0, (4, 2)), "without the fault"),
        (trace.values, _BLUE, "-", "as you drove"),
    ):
        values = np.array(points, dtype=float) * factor + zero
        if len(values) == len(times_s) and len(values):
            axis.plot(times_s, values, color=colour, ls=style, lw=1.2, label=label)
            within = (times_s >= axis.get_xlim()[0]) & (times_s <= axis.get_xlim()[1])
            shown.append(values[within & np.isfinite(values)])
    _room(axis, np.concatenate(shown) if shown else np.zeros(0))
    unit = units.unit(metric)
    axis.set_ylabel(plain(f"{trace.label},\n{unit}" if unit != "1" else trace.label), fontsize=8.5)


def _harm(axis: "Axes", debrief: Debriefing) -> None:
    """Draw what knock has cost so far, each way of driving it."""
    times_s = np.array(debrief.time_s, dtype=float)
    tops = [np.zeros(1), np.ones(1)]
    for who, (colour, style) in reversed(_HARM.items()):
        values = np.array(debrief.harm.get(who, []), dtype=float)
        if len(values) == len(times_s) and len(values):
            axis.plot(times_s, values, color=colour, ls=style, lw=1.5, label=HARM_WORDS[who])
            tops.append(values[np.isfinite(values)])
    _room(axis, np.concatenate(tops))
    axis.set_ylabel("knock harm\nso far", fontsize=8.5)


def _room(axis: "Axes", values: Any) -> None:
    """Leave room above the lines for the legend."""
    low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
    span = max(high - low, 1e-3 * max(abs(high), abs(low), 1.0))
    axis.set_ylim(low - 0.06 * span, high + 0.34 * span)


def _finish(axis: "Axes", events: Sequence[Happened]) -> None:
    for one in events:
        colour, style = _ROWS[one.by]
        axis.axvline(one.time_s, color=colour, ls=style, lw=1.1, zorder=0.9)
    axis.grid(axis="x", color=_GRID, lw=0.5)
    axis.set_axisbelow(True)
    open_axis(axis)
    axis.yaxis.set_label_coords(-0.062, 0.5)
    if axis.get_legend_handles_labels()[0]:
        axis.legend(
            loc="upper left", ncols=3, fontsize=7.5, framealpha=0.85, edgecolor="none",
            borderpad=0.2, handlelength=2.6, columnspacing=1.4,
        )  # fmt: skip


def _below(figure: "Figure", debrief: Debriefing, units: Units) -> None:
    """Write score and costs, and beside them what told it and what to check first."""
    top, left, right = 0.243, 0.035, 0.53
    y = _text(figure, left, top, [f"Score {debrief.score:z.0f} of 100"], 10, weight="bold")
    for part in debrief.parts[:6]:
        told = f"{part.points:z.0f} of {part.most:z.0f}  {part.name}: {part.words}"
        y = _text(figure, left, y, _lines(told, 74, 2), 8.5)
    y = _text(figure, left, y, _lines(debrief.formula, 88, 4), 7.5, style="italic")
    y = _text(figure, left, y - 0.006, ["What it cost"], 10, weight="bold")
    for row in ([*COST_HEAD], *costs(debrief)):
        for x, cell, side in zip((0.0, 0.19, 0.29, 0.365, 0.455), row, "lrrrr", strict=True):
            align = "left" if side == "l" else "right"
            figure.text(left + x, y, cell, fontsize=8.2, va="top", ha=align, color=INK)
        y -= 0.0105
    y = _text(figure, right, top, ["What told it"], 10, weight="bold")
    signs = [f"{sign.time_s:z.2f} s  {sign.words}" for sign in debrief.signs[:5]]
    told_by = [units.sentence(line) for line in signs] or ["nothing that a reading shows"]
    y = _text(figure, right, y, [one for line in told_by for one in _lines(line, 76, 1)], 8.5)
    y = _text(figure, right, y - 0.006, ["Check first on the car"], 10, weight="bold")
    for check in debrief.check_first[:2]:
        y = _text(figure, right, y, _lines(check, 72, 2), 8.5)
    if debrief.text:
        y = _text(figure, right, y - 0.006, ["Of this drive"], 10, weight="bold")
        _text(figure, right, y, _lines(units.sentence(debrief.text), 72, 5), 8.5)
    _text(figure, left, 0.016, [ADVISES], 7.5)


def _lines(text: str, width: int, most: int) -> list[str]:
    """Break text into lines, but no figure from its unit."""
    held = re.sub(r"(?<=\d) (?=[a-z°%])", "\u00a0", on_one_line(text), flags=re.IGNORECASE)
    lines = textwrap.wrap(held, width, max_lines=most, placeholder=" …")
    return [line.replace("\u00a0", " ") for line in lines]
