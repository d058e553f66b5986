"""A trend as one picture: each number over the days, what changed and since when, the services.

Hues are Okabe and Ito's (``monitor.words.palette`` names the source); none says anything alone:
every line has its name, every band of boost its own mark.
"""

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from monitor.pictures.figure import new_figure, open_axis, plain, save_figure
from monitor.pictures.plot_panels import INK
from monitor.trend.gathered import Trend
from monitor.trend.words import SHOWN, tolerated
from monitor.words.palette import OKABE_ITO
from monitor.words.units import Units
from simulator.trend.season import DELAY, FLOW, LAG, LINE, SUPPLY, Season, Span
from simulator.trend.sessions import Measured

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDE_PX: Final = 1200
HEAD_PX, FOOT_PX = 110, 70
PANEL_PX: Final = {FLOW: 360, LINE: 230, SUPPLY: 150, DELAY: 170, "sums": 210}
LEAST_SPAN: Final = 0.02  # of a number, either way, so that next to nothing looks like that
_HUES: Final = tuple(
    OKABE_ITO[name] for name in ("sky_blue", "blue", "bluish_green", "reddish_purple")
)
_MARKS: Final = "o^sD"
_STYLES: Final = ("-", "--", "-.", ":")
_RED: Final = OKABE_ITO["vermillion"]
_FAINT: Final = "#858C93"
_SINCE: Final = "#E4E6E9"
_EPOCH: Final = date(1970, 1, 1).toordinal()  # of matplotlib's days


def save_trend(trend: Trend, path: Path, units: Units) -> None:
    """Draw a trend that has a season, and write the picture.

    Args:
        trend: The trend.
        path: New file, ``.png`` or ``.svg``.
        units: Of the boost bands.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    save_figure(lambda: draw(trend, units), path)


def draw(trend: Trend, units: Units) -> "Figure":
    """Return a trend's figure, 1200 pixels wide at 120 dots an inch.

    Raises:
        ValueError: It has no season.
    """
    season = trend.season
    if season is None:
        raise ValueError("found a trend without a season, expected one")
    shown = [name for name in (FLOW, LINE, SUPPLY) if name in season.numbers]
    shown += [DELAY] * bool({DELAY, LAG} & season.numbers.keys())
    panels = [*shown, "sums"]
    heights = [PANEL_PX[name] for name in panels]
    tall = HEAD_PX + sum(heights) + FOOT_PX
    figure = new_figure(WIDE_PX, tall)
    rows = trend.rows
    first, last = (
        (f"{rows[0].day.day}", f"{rows[-1].day.day}")
        if trend.dated
        else (rows[0].name, rows[-1].name)
    )
    title = f"{trend.rig_file.rig.name}: {len(rows)} sessions, {first} to {last}"
    figure.suptitle(plain(title)[:90], y=1.0 - 18.0 / tall, fontsize=13, fontweight="bold")
    axes = figure.subplots(
        len(panels), 1, sharex=True, squeeze=False, height_ratios=heights,
        gridspec_kw={"left": 0.085, "right": 0.975, "top": 1.0 - HEAD_PX / tall,
                     "bottom": FOOT_PX / tall, "hspace": 0.16},
    )[:, 0]  # fmt: skip
    at = _at(trend, season.days)
    for axis, name in zip(axes, panels, strict=True):
        if name == "sums":
            _sums(axis, season, at)
        elif name == DELAY:
            _timing(axis, season, at)
        else:
            _number(axis, trend, season, at, name, units)
        _marks(axis, trend, season, at, words=axis is axes[0])
        _finish(axis)
    _dates(axes[-1], trend)
    return figure


def _at(trend: Trend, days: Any) -> Any:
    """Return where days stand on the axis."""
    return np.asarray(days, float) - (_EPOCH if trend.dated else 0.0)


def _number(axis: "Axes", trend: Trend, season: Season, at: Any, name: str, units: Units) -> None:
    """Draw a number: by boost band where it has them, over all bands, and its change."""
    shown = SHOWN[name]
    by_bands = {
        FLOW: [r.session.flow for r in trend.rows],
        LINE: [r.session.line for r in trend.rows],
    }
    if name in by_bands and (name == FLOW or FLOW not in season.numbers):
        edges = [units.value(edge, "kPa") for edge in trend.edges_kpa]
        for band in range(len(edges) - 1):
            _band(
                axis,
                at,
                [one[band] for one in by_bands[name]],
                f"{edges[band]:z.0f}-{edges[band + 1]:z.0f} {units.unit('kPa')}",
                band,
            )
    values = shown.per * season.numbers[name]
    axis.plot(
        at, values, ".", color=INK, ms=6, zorder=4,
        label="over all bands" if name in by_bands else shown.name,
    )  # fmt: skip
    for span in season.spans:
        _change(axis, trend, season, span, name)
    limit = tolerated(trend.rig_file.rig, name, rises=False)
    least = shown.per * LEAST_SPAN * float(np.nanmedian(season.numbers[name]))
    middle = float(np.nanmedian(values))
    low, high = (float(end) for end in axis.get_ylim())
    axis.set_ylim(min(low, middle - least), max(high, middle + 1.5 * least))
    if limit is not None and shown.per * limit > low - max(high - low, 4.0 * least):
        axis.axhline(shown.per * limit, color=_RED, lw=1.0, ls=(0, (4, 2)), label="rig tolerates")
    of = ", % of what is due" if name in by_bands else f", {shown.unit}"
    axis.set_ylabel(shown.name + of, fontsize=8.5)


def _band(axis: "Axes", at: Any, said: list[Measured | None], label: str, band: int) -> None:
    if all(one is None for one in said):
        return
    value = np.array([np.nan if one is None else 100.0 * one.value for one in said])
    error = np.array([np.nan if one is None else 100.0 * one.error for one in said])
    axis.errorbar(
        at, value, error, fmt=_MARKS[band % len(_MARKS)], color=_HUES[band % len(_HUES)], ms=3.5,
        lw=0.7, alpha=0.75, label=label,
    )  # fmt: skip


def _change(axis: "Axes", trend: Trend, season: Season, span: Span, name: str) -> None:
    """Draw the level of a span, or what changed in it, with what holds 90 %."""
    days = season.days[span.first : span.end]
    if name not in span.usual or not len(days):
        return
    per = SHOWN[name].per
    found = span.found.get(name)
    if found is None:
        mean = span.usual[name][0]
        axis.plot(_at(trend, days[[0, -1]]), [per * mean, per * mean], color=_FAINT, lw=1.0)
        return
    fine = np.linspace(days[0], days[-1], 200)
    low, middle, high = per * found.change.along(fine)
    where = _at(trend, fine)
    axis.fill_between(where, low, high, color=_RED, alpha=0.25, lw=0.0)
    sure = f"{100.0 * min(found.sure, 0.9999):z.2f} %"
    axis.plot(where, middle, color=_RED, lw=1.4, label=f"changed (confidence {sure})", zorder=5)


def _timing(axis: "Axes", season: Season, at: Any) -> None:
    for place, name in enumerate(one for one in (DELAY, LAG) if one in season.numbers):
        axis.plot(
            at, 1e3 * season.numbers[name], _MARKS[place], color=_HUES[place + 1], ms=4, label=name
        )
    low, high = axis.get_ylim()
    axis.set_ylim(low, high + 0.3 * (high - low))  # room for the legend
    axis.set_ylabel("delay and lag, ms", fontsize=8.5)


def _sums(axis: "Axes", season: Season, at: Any) -> None:
    """Draw how far each number's sum is to its limit: the higher of both directions."""
    for place, name in enumerate(season.numbers):
        ways = [path for (one, _), path in season.paths.items() if one == name]
        height = 100.0 * np.max(ways, axis=0) / season.limit
        hue = (*_HUES, INK)[place % 5]
        axis.plot(at, height, _STYLES[place % 4], color=hue, lw=1.3, label=SHOWN[name].name)
    axis.axhline(100.0, color=_RED, lw=1.0, ls=(0, (4, 2)), label="told from here on")
    axis.set_ylim(0.0, 220.0)
    axis.set_ylabel("for a change,\n% of what it takes", fontsize=8.5)


def _marks(axis: "Axes", trend: Trend, season: Season, at: Any, *, words: bool) -> None:
    """Draw the services, when a change began, and since when it was told."""
    for service in trend.services:
        where = float(at[min(service.at, len(at) - 1)]) - 0.5
        if service.day is not None and trend.dated:
            where = float(service.day.toordinal() - _EPOCH)
        axis.axvline(where, color=_HUES[2], lw=1.3)
        if words:
            axis.annotate(
                plain(service.what), (where, 1.0), xycoords=("data", "axes fraction"),
                xytext=(2, 3), textcoords="offset points", fontsize=8, color=_HUES[2],
            )  # fmt: skip
    for span in season.spans:
        if span.main:
            found = span.found[span.main]
            _, low, high = found.change.since
            ends = _at(trend, [low, high])
            axis.axvspan(ends[0] - 0.3, ends[1] + 0.3, color=_SINCE, zorder=0.1, lw=0.0)
            axis.axvline(float(at[found.at]), color=INK, lw=0.9, ls=(0, (1, 2)))
            if words:
                axis.annotate(
                    "told", (float(at[found.at]), 1.0), xycoords=("data", "axes fraction"),
                    xytext=(2, 14), textcoords="offset points", fontsize=8,
                )  # fmt: skip
                axis.annotate(
                    "began (90 %)", (ends[0], 1.0), xycoords=("data", "axes fraction"),
                    xytext=(0, 3), textcoords="offset points", fontsize=8, color=_FAINT,
                    ha="right",
                )  # fmt: skip


def _finish(axis: "Axes") -> None:
    axis.set_axisbelow(True)
    axis.grid(color=_SINCE, linewidth=0.5)
    open_axis(axis)
    axis.yaxis.set_label_coords(-0.06, 0.5)
    axis.legend(
        loc="best", ncols=4, fontsize=7.5, frameon=True, framealpha=0.85, edgecolor="none",
        borderpad=0.2, handlelength=1.6, columnspacing=1.2,
    )  # fmt: skip


def _dates(axis: "Axes", trend: Trend) -> None:
    if not trend.dated:
        axis.set_xlabel("session, in the order given", fontsize=8.5)
        return
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator()  # type: ignore[no-untyped-call]
    axis.xaxis.set_major_locator(locator)
    formatter = ConciseDateFormatter(locator)  # type: ignore[no-untyped-call]
    axis.xaxis.set_major_formatter(formatter)
    axis.xaxis.get_offset_text().set_fontsize(8)
