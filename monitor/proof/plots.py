"""A row's plots: how soon its cars were acted on, and what another limit of evidence would mean.

No name from outside is drawn. What never came is: as the part that a curve lacks, as a cross.
"""

import re
from collections.abc import Callable, Iterator
from math import ceil, floor, inf, isfinite, log10, nan
from typing import TYPE_CHECKING, Final

from monitor.pictures.figure import new_figure, open_axis, rendered
from monitor.pictures.plot_panels import INK
from monitor.proof.words import QUANTILES, ms
from monitor.recorder.span import counted
from monitor.words.palette import OKABE_ITO
from rules.facts import Action
from simulator.proof.limits import AtLimit
from simulator.proof.proportions import miss_count, quantile
from simulator.proof.results import RowResult, delay_s

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_PX: Final = (1000, 320)
_BLUE: Final = OKABE_ITO["blue"]
_RED: Final = OKABE_ITO["vermillion"]
_PURPLE: Final = OKABE_ITO["reddish_purple"]
_LEAST_RATE: Final = 1e-3  # in 100 h: rarer ones stand at the edge
_FAINT: Final = "#858C93"
_GRID: Final = "#E4E6E9"
# What is drawn of the cars under one limit: name, share, marker, colour.
_CURVES: Final = (("half", 0.5, "o", INK), ("95 %", 0.95, "s", _BLUE), ("worst", 1.0, "v", _RED))


def row_plot(row: RowResult, limits: tuple[AtLimit, ...], number: int) -> str:
    """Return a row's figure as an SVG element, for a page that may hold others.

    Args:
        row: A row in which some runs began.
        limits: Its cars under other limits; none: not tried.
        number: Of the row; names inside the element begin with it.
    """
    text = rendered(lambda: draw(row, limits), "svg", words=True).decode()
    text = text[text.index("<svg") :]
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    # Every figure calls its parts alike: in one page each needs names of its own.
    text = re.sub(r'(?<= id=")|(?<=url\(#)|(?<=href="#)', f"r{number}-", text)
    said = " ".join(_in_words(row))
    return text.replace("<svg", f'<svg role="img" aria-label="{said}"', 1)


def draw(row: RowResult, limits: tuple[AtLimit, ...]) -> "Figure":
    """Return a row's figure: delays; with limits also delay against false pulls, and harm."""
    figure = new_figure(*SIZE_PX)
    panels: list[Callable[[Axes], None]] = [lambda axis: _delays(axis, row)]
    if limits:
        panels.append(lambda axis: _against_false_pulls(axis, row, limits))
        panels.append(lambda axis: _harm(axis, row, limits))
    margins = {"left": 0.062, "right": 0.985, "top": 0.89, "bottom": 0.175, "wspace": 0.31}
    axes = figure.subplots(1, 3, gridspec_kw=margins)
    for axis, panel in zip(axes, panels, strict=False):
        panel(axis)
        axis.set_axisbelow(True)
        axis.grid(color=_GRID, linewidth=0.5)
        open_axis(axis, 7.5)
    for axis in axes[len(panels) :]:
        axis.remove()
    return figure


def _in_words(row: RowResult) -> Iterator[str]:
    delays = row.delays_s
    yield f"Delay of {counted(len(delays), 'run')}, ms:"
    yield ", ".join(f"{name} {ms(quantile(delays, share))}" for name, share in QUANTILES) + ";"
    yield f"{miss_count(delays)} never."


def _delays(axis: "Axes", row: RowResult) -> None:
    """Draw in what share of all runs the action had come by each time."""
    asked, delays = row.requirement, sorted(row.delays_s)
    n, never = len(delays), miss_count(delays)
    came = [1e3 * delay for delay in delays if isfinite(delay)]
    within_ms = 1e3 * asked.within_s
    ends = 1.35 * max([*came, within_ms if isfinite(within_ms) else 0.0, 10.0])
    shares = [100.0 * i / n for i in range(len(came) + 1)]
    axis.step([0.0, *came, ends], [*shares, shares[-1]], where="post", color=_BLUE, lw=1.4)
    if never:
        axis.fill_between(
            [0.0, ends], shares[-1], 100.0, facecolor="none", edgecolor=_RED, hatch="///", lw=0.0,
            hatch_linewidth=0.3,
        )  # fmt: skip
        note = f"never, in {never} of {n} runs"
        middle = 0.5 * (shares[-1] + 100.0)
        _label(axis, 0.4 * ends, min(max(middle, 6.0), 94.0), note, _RED, "center")
    for _, share in QUANTILES:
        at_s = quantile(delays, share)
        if isfinite(at_s):
            axis.plot(1e3 * at_s, 100.0 * share, "o", color=INK, ms=3.5)
    said = [f"{name}  {ms(quantile(delays, share)):>4}" for name, share in QUANTILES]
    aside = 22.0 if shares[-1] > 50.0 else 78.0
    _label(axis, 0.985 * ends, aside, "\n".join(said), INK, "right")
    if isfinite(within_ms):
        axis.axvline(within_ms, color=_RED, lw=1.0, ls=(0, (5, 2)))
        axis.axhline(100.0 * asked.share, color=_RED, lw=1.0, ls=(0, (5, 2)))
    axis.set_xlim(0.0, ends)
    axis.set_ylim(0.0, 103.0)
    what = "acted on" if asked.at_least is not Action.NO_ACTION else "first finding"
    title = f"{what} by then ({counted(n, 'run')})"
    _named(axis, title, "ms from the fault's onset", "% of runs")


def _against_false_pulls(axis: "Axes", row: RowResult, limits: tuple[AtLimit, ...]) -> None:
    """Draw the operating curve: delays against the false pulls that each limit allows."""
    rates = [100.0 / limit.every_h for limit in limits]
    columns = [[delay_s(row.requirement, one) for one in limit.outcomes] for limit in limits]
    asked_ms = 1e3 * row.requirement.within_s
    worst_ms = [1e3 * quantile(column, 1.0) for column in columns]
    _told(axis, limits, [1e3 * quantile(column, _CURVES[1][1]) for column in columns])
    _curves(axis, rates, columns, limits, 1e3, [asked_ms, *worst_ms])
    _asked(axis, asked_ms)
    title = f"delay by limit ({len(limits[0].outcomes)} runs each)"
    _named(axis, title, "false pulls in 100 h of spraying", "ms from the onset")


def _harm(axis: "Axes", row: RowResult, limits: tuple[AtLimit, ...]) -> None:
    """Draw harm against the limit, by the key that sets it."""
    columns = [[one.harm for one in limit.outcomes] for limit in limits]
    most = [quantile(column, 1.0) for column in columns]
    asked = row.requirement.harm_at_most
    _curves(axis, [limit.every_h for limit in limits], columns, limits, 1.0, [asked, *most, 1.0])
    _asked(axis, asked)
    title = f"harm by limit ({len(limits[0].outcomes)} runs each)"
    _named(axis, title, "debt.false_pull_every, h", "harm (1: an audible cycle)")


def _curves(
    axis: "Axes",
    x: list[float],
    columns: list[list[float]],
    limits: tuple[AtLimit, ...],
    per: float,
    seen: list[float],
) -> None:
    """Draw quantiles of columns; what is infinite stands as a cross at the upper edge."""
    top = 1.5 * max(value for value in seen if value < inf)
    axis.set_xscale("log")
    for i, (name, share, marker, colour) in enumerate(_CURVES):
        y = [per * quantile(column, share) for column in columns]
        shown = [value if isfinite(value) else nan for value in y]
        axis.plot(x, shown, color=colour, marker=marker, ms=4.0, lw=1.0, label=name)
        gone = [at for at, value in zip(x, y, strict=True) if not isfinite(value)]
        level = (0.8 + 0.035 * i) * top
        axis.plot(gone, [level] * len(gone), "x", color=colour, ms=4.5)
        if gone and name == _CURVES[-1][0]:
            _label(axis, gone[len(gone) // 2], 0.74 * top, "× never", colour, "center")
    own = next(at for at, limit in zip(x, limits, strict=True) if limit.own)
    axis.axvline(own, color=_FAINT, lw=0.8, ls=(0, (1, 2)))
    axis.set_ylim(0.0, top)
    _label(axis, own, 0.03 * top, "this rig", _FAINT, "center")
    _decades(axis)
    axis.legend(
        loc="upper center", ncols=4, fontsize=6.5, frameon=False, handlelength=1.0,
        columnspacing=1.0, handletextpad=0.5,
    )  # fmt: skip


def _told(axis: "Axes", limits: tuple[AtLimit, ...], y_ms: list[float]) -> None:
    """Draw the same against the false pulls that healthy drives tell: likeliest, and interval."""
    told = [
        (at_ms, [max(rate, _LEAST_RATE) for rate in limit.false_pulls])
        for limit, at_ms in zip(limits, y_ms, strict=True)
        if limit.false_pulls is not None and isfinite(at_ms)
    ]
    for at_ms, (_, least, most) in told:
        axis.plot([least, most], [at_ms, at_ms], color=_PURPLE, lw=1.0, zorder=3.0)
    if told:
        x, y = [rates[0] for _, rates in told], [at_ms for at_ms, _ in told]
        axis.plot(x, y, "D", color=_PURPLE, ms=4.5, zorder=4.0, label=f"{_CURVES[1][0]}, told")


def _decades(axis: "Axes") -> None:
    """Mark powers of ten, no more than there is room for."""
    first, last = (log10(end) for end in axis.get_xlim())
    powers = range(ceil(first), floor(last) + 1)
    ticks = [10.0**power for power in powers[:: 1 + len(powers) // 7]]
    axis.set_xticks(ticks, [f"{tick:zg}" for tick in ticks])
    axis.minorticks_off()


def _asked(axis: "Axes", value: float) -> None:
    if isfinite(value):
        axis.axhline(value, color=_RED, lw=1.0, ls=(0, (5, 2)))


def _label(axis: "Axes", x: float, y: float, text: str, colour: str, side: str) -> None:
    box = {"facecolor": "white", "alpha": 0.85, "edgecolor": "none", "pad": 1.0}
    axis.text(x, y, text, ha=side, va="center", fontsize=7, color=colour, bbox=box)


def _named(axis: "Axes", title: str, x: str, y: str) -> None:
    axis.set_title(title, fontsize=8.5, loc="left")
    axis.set_xlabel(x, fontsize=8)
    axis.set_ylabel(y, fontsize=8)
