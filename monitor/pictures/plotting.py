"""A run as one picture: what was asked for, what came, what was decided, what it cost.

Hues are Okabe and Ito's (``monitor.words.palette`` names the source); none says anything alone:
every line has its name, every band its word.
"""

from collections.abc import Iterator, Sequence
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from monitor.pictures import plot_panels as panels
from monitor.pictures.figure import new_figure, open_axis, plain, save_figure
from monitor.pictures.simulating import Outcome
from monitor.words.palette import OKABE_ITO
from rules.facts import Action
from simulator.runs import Block, Span

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_PX: Final = (1200, 1500)
_FAULT: Final = "#E4E6E9"
_ORANGE: Final = OKABE_ITO["orange"]
_RED: Final = OKABE_ITO["vermillion"]
_BANDS: Final = {
    Action.NO_ACTION: ("no action", "#FFFFFF", ""),
    Action.WARN: ("warn", OKABE_ITO["yellow"], ""),
    Action.PULL_TIMING: ("pull timing", _ORANGE, "///"),
    Action.CUT_BOOST: ("cut boost", _RED, "xxx"),
}
# Laid out by hand: a solver's answer differs in the last digit from run to run.
_MARGINS: Final = {"left": 0.098, "right": 0.932, "top": 0.938, "bottom": 0.038, "hspace": 0.13}
_HEIGHTS: Final = {"strip": 0.62, "flow": 2.0, "debt": 1.3}
_WORD_PX: Final = 9.5  # of one letter in a strip's word


def save_picture(outcome: Outcome, blocks: Sequence[Block], path: Path) -> None:
    """Draw a run and write the picture.

    Args:
        outcome: What came of it.
        blocks: The whole run.
        path: New file, ``.png`` or ``.svg``.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    save_figure(lambda: draw(outcome, blocks), path)


def draw(outcome: Outcome, blocks: Sequence[Block]) -> "Figure":
    """Return a whole run's figure, 1200 by 1500 pixels at 120 dots an inch."""
    data = panels.Columns(blocks)
    shown = {
        "strip": _strip,
        "flow": panels.flow,
        "debt": panels.debt,
        "boost": panels.boost,
        "timing": panels.timing,
        "intake": panels.intake,
        "knock": panels.knock,
    }
    if panels.tank_matters(outcome, data):
        shown["tank"] = panels.tank
    figure = new_figure(*SIZE_PX)
    scenario = outcome.scenario
    figure.suptitle(
        plain(f"{scenario.name}, {scenario.rig.name}, seed {outcome.seed}"),
        y=0.992,
        fontsize=13,
        fontweight="bold",
    )
    heights = [_HEIGHTS.get(name, 1.0) for name in shown]
    axes = figure.subplots(len(shown), 1, sharex=True, height_ratios=heights, gridspec_kw=_MARGINS)
    end_s = float(data.truth_s[-1]) if len(data.truth_s) else 1.0
    axes[0].set_xlim(0.0, end_s)
    axes[0].set_title("\n".join(_in_short(outcome)), fontsize=8.5, color=panels.INK)
    for axis, (name, panel) in zip(axes, shown.items(), strict=True):
        panel(axis, data, outcome)
        if name != "strip":
            _finish(axis, outcome.spans)
    axes[-1].set_xlabel("time, s")
    return figure


def _in_short(outcome: Outcome) -> list[str]:
    """Return when the guard asked for what, and what the run cost."""
    who = "the guard acts" if outcome.guarded else "the guard only watches"
    asked = [
        f"{first.action.word.replace('_', ' ')} {first.at_s:z.2f} s" for first in outcome.firsts
    ]
    report, twin = outcome.report, outcome.twin
    return [
        f"{who}: {', '.join(asked) or 'nothing to say'}",
        f"knock harm {report.harm:z.1f} (healthy twin {twin.harm:z.1f}), {report.knocks} knocking "
        f"cycles, {report.heavy_knocks} heavy; work {report.work_kj:z.0f} kJ (twin "
        f"{twin.work_kj:z.0f}); {report.used_ml:z.0f} mL used",
    ]


def _finish(axis: "Axes", spans: Sequence[Span]) -> None:
    for span in spans:
        if isfinite(span.begins_s):
            axis.axvspan(span.begins_s, span.ends_s, color=_FAULT, zorder=0.1, linewidth=0.0)
            axis.axvline(span.begins_s, color=panels.INK, linewidth=0.8, linestyle=(0, (1, 2)))
    axis.set_axisbelow(True)
    axis.grid(axis="x", color=_FAULT, linewidth=0.5)
    open_axis(axis)
    axis.yaxis.set_label_coords(-0.068, 0.5)
    if axis.get_legend_handles_labels()[0]:
        axis.legend(
            loc="upper left", ncols=5, fontsize=7.5, frameon=True, framealpha=0.85,
            edgecolor="none", borderpad=0.2, handlelength=1.6, columnspacing=1.2,
        )  # fmt: skip


def _strip(axis: "Axes", data: panels.Columns, outcome: Outcome) -> None:
    """Draw which fault is active and what the guard asks for, in words."""
    axis.set_ylim(0.0, 2.0)
    axis.set_yticks([0.5, 1.5], ["guard asks", "fault"], fontsize=8)
    axis.tick_params(length=0, labelbottom=False)
    for side in ("top", "right", "bottom", "left"):
        axis.spines[side].set_visible(False)
    end_s = axis.get_xlim()[1]
    per_px = end_s / (0.86 * SIZE_PX[0])
    begun = [span for span in outcome.spans if isfinite(span.begins_s)]
    for i, span in enumerate(begun):
        low = 1.05 + 0.9 * i / len(begun)
        width = span.ends_s - span.begins_s
        axis.broken_barh(
            [(span.begins_s, width)], (low, 0.86 / len(begun)), color=_FAULT, ec=panels.INK
        )
        word = span.kind.word.replace("_", " ") + (f": {span.channel}" if span.channel else "")
        _word(axis, span.begins_s, width, low + 0.43 / len(begun), plain(word), per_px)
    if not begun:
        axis.text(0.0, 1.5, " none", va="center", fontsize=8.5)
    for begins_s, ends_s, action in _stretches(data.row_s, data.decided("action"), end_s):
        word, colour, hatch = _BANDS[action]
        axis.broken_barh(
            [(begins_s, ends_s - begins_s)],
            (0.07, 0.86),
            facecolor=colour,
            edgecolor=panels.INK if action is Action.NO_ACTION else "#5A2A00",
            hatch=hatch,
            linewidth=0.6,
            hatch_linewidth=0.2,
        )
        _word(axis, begins_s, ends_s - begins_s, 0.5, word, per_px)


def _word(
    axis: "Axes", begins_s: float, width_s: float, y: float, word: str, per_px: float
) -> None:
    """Put a word into a band that is wide enough for it."""
    room_px = width_s / per_px
    if room_px < _WORD_PX * len(word):
        return
    axis.text(
        begins_s + 0.5 * width_s,
        y,
        word,
        ha="center",
        va="center",
        fontsize=8.5,
        clip_on=True,
        bbox={"facecolor": "white", "alpha": 0.75, "edgecolor": "none", "pad": 0.8},
    )


def _stretches(time_s: Any, action: Any, end_s: float) -> Iterator[tuple[float, float, Action]]:
    """Yield each stretch of one action: begin, end, action."""
    if not len(time_s):
        return
    changes = [0, *(np.flatnonzero(np.diff(action)) + 1).tolist()]
    ends = [*(float(time_s[i]) for i in changes[1:]), end_s]
    for i, ends_s in zip(changes, ends, strict=True):
        yield float(time_s[i]), ends_s, Action(int(action[i]))
