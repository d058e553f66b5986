"""A comparison as one picture: power, torque and gain by engine speed, and what went with it."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from monitor.dyno.comparing import Comparison, gear_words
from monitor.dyno.groups import band_of, mean_of
from monitor.dyno.words import CLOSED, shown_beside
from monitor.pictures.figure import new_figure, open_axis, plain, save_figure
from monitor.pictures.plot_panels import INK
from monitor.words.palette import OKABE_ITO
from monitor.words.units import Units
from simulator.dyno.correction import NAMES
from simulator.dyno.gain import CONFIDENCE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_PX: Final = (1200, 1400)
# Of the baseline and of the other: the line's style tells them apart in print, too.
_LOOKS: Final = ((OKABE_ITO["vermillion"], (0, (5, 2))), (OKABE_ITO["blue"], "-"))
_GAIN: Final = OKABE_ITO["bluish_green"]
_FAINT: Final = "#E4E6E9"
_PCT: Final = 100.0 * CONFIDENCE


def save_comparison(found: Comparison, car: str, units: Units, path: Path) -> None:
    """Draw a comparison and write the picture.

    Args:
        found: What came of it.
        car: The rig's name.
        units: In which figures are shown.
        path: New file, ``.png`` or ``.svg``.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    save_figure(lambda: draw(found, car, units), path)


def draw(found: Comparison, car: str, units: Units) -> "Figure":
    """Return the figure, 1200 by 1400 pixels at 120 dots an inch."""
    figure = new_figure(*SIZE_PX)
    first, second = found.groups
    told = f"{first.name} ({len(first.runs)}) and {second.name} ({len(second.runs)})"
    title = f"{car}: {told}, {gear_words(found.gear)}"
    figure.suptitle(plain(title)[:90], y=0.988, fontsize=13, fontweight="bold")
    method = f"correction: {NAMES[found.asked.method]}"
    figure.text(0.085, 0.957, method, fontsize=8.5, ha="left")
    beside = shown_beside(found, units)
    rows = 3 + (len(beside) + 1) // 2
    grid = figure.add_gridspec(
        rows, 2, left=0.085, right=0.975, top=0.935, bottom=0.06, hspace=0.42, wspace=0.2,
        height_ratios=(1.9, 1.9, 1.5, *[1.0] * (rows - 3)),
    )  # fmt: skip
    power, torque, gained = (figure.add_subplot(grid[row, :]) for row in range(3))
    bands = [band_of(group) for group in found.groups]
    _curves(power, found, [g.power_kw for g in found.groups], [b[1] for b in bands], units, "kW")
    _curves(torque, found, [g.torque_nm for g in found.groups], [b[0] for b in bands], units, "N m")
    power.set_title(
        f"mean of the runs, and where {_PCT:z.0f} % of further runs would lie"
        if any(np.isfinite(band).any() for pair in bands for band in pair)
        else "single runs: nothing tells how far others would scatter",
        fontsize=9, loc="left",
    )  # fmt: skip
    power.legend(loc="upper left", fontsize=8.5, edgecolor="none")
    power.set_ylabel(f"power, {units.unit('kW')}", fontsize=8.5)
    torque.set_ylabel(f"torque, {units.unit('N m')}", fontsize=8.5)
    _gain(gained, found, units)
    for place, (channel, name, metric) in enumerate(beside):
        axis = figure.add_subplot(grid[3 + place // 2, place % 2])
        for group, (colour, style) in zip(found.groups, _LOOKS, strict=True):
            values = [units.value(value, metric) for value in mean_of(group.beside[channel])]
            axis.plot(found.speed_rpm, values, color=colour, ls=style, lw=1.4)
        axis.set_title(name, fontsize=9, loc="left")
    for axis in figure.axes:
        axis.set_xlim(found.speed_rpm[0], found.speed_rpm[-1])
        open_axis(axis)
        axis.grid(visible=True, color=_FAINT, lw=0.7)
    for axis in figure.axes[-2:] if beside else [gained]:
        axis.set_xlabel("engine speed, rpm", fontsize=8.5)
    figure.text(0.085, 0.012, CLOSED, fontsize=7.5, ha="left", color=INK)
    return figure


def _curves(
    axis: "Axes", found: Comparison, curves: list[Any], bands: list[Any], units: Units, metric: str
) -> None:
    """Draw each group's mean and its band."""
    per = units.factor(metric)
    looks = zip(found.groups, curves, bands, _LOOKS, strict=True)
    for group, values, band, (colour, style) in looks:
        mean = per * mean_of(values)
        axis.plot(found.speed_rpm, mean, color=colour, ls=style, lw=1.8, label=group.name)
        axis.fill_between(
            found.speed_rpm, mean - per * band, mean + per * band, color=colour, alpha=0.15, lw=0.0
        )


def _gain(axis: "Axes", found: Comparison, units: Units) -> None:
    """Draw the gain in power with its interval, and the span of the means."""
    value, low, high = units.factor("kW") * np.array([list(one) for one in found.power_gain]).T
    axis.axhline(0.0, color=INK, lw=0.8)
    axis.plot(found.speed_rpm, value, color=_GAIN, lw=1.8, label="gain in power")
    if np.isfinite(low).any():
        axis.fill_between(
            found.speed_rpm, low, high, color=_GAIN, alpha=0.2, lw=0.0,
            label=f"{_PCT:z.0f} % interval, at each speed by itself",
        )  # fmt: skip
    if found.boost_differs.any():
        axis.plot(
            found.speed_rpm[found.boost_differs],
            np.zeros(np.count_nonzero(found.boost_differs)),
            "x", color=OKABE_ITO["vermillion"], ms=5, label="boost differs: not told",
        )  # fmt: skip
    axis.legend(loc="upper left", ncols=3, fontsize=8, edgecolor="none")
    axis.margins(y=0.25)
    axis.set_ylabel(f"gain, {units.unit('kW')}", fontsize=8.5)
