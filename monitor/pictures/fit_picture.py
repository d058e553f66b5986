"""A fit as one picture: one pull, what the fit leaves of all, and what is still uncertain."""

from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from monitor.commission.fitting import Fitted
from monitor.pictures.plot_panels import INK
from monitor.pictures.plotting import DPI, plain, save_figure
from monitor.words.palette import OKABE_ITO
from rules.facts import FlowSensor
from simulator.identify.model import delayed, filled, lagged
from simulator.identify.spraying import Spraying, spraying

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_PX: Final = (1200, 1000)
MOST_DOTS: Final = 6000
_BLUE: Final = OKABE_ITO["blue"]
_RED: Final = OKABE_ITO["vermillion"]
_FAINT: Final = "#858C93"
_ALLOWED: Final = "#D5D9DE"
_BAND: Final = "#A9D8F3"
_LEAST_SHARE: Final = 0.1  # of the most that is expected: below it a share says nothing


@dataclass(frozen=True, slots=True)
class _Sensor:
    """A flow sensor: delay and lag, s, and gain."""

    delay_s: float
    lag_s: float
    gain: float

    def reads(self, spray: Spraying) -> Any:
        """Return what it reads in each row, mL/min."""
        at_s, where = filled(spray.t_s)
        asked = delayed(spray.t_s, spray.command, at_s, self.delay_s)
        return self.gain * lagged(at_s, asked, self.lag_s)[where]


def save_fit(fitted: Fitted, path: Path) -> None:
    """Draw a fit, whose rig must have been made, and write the picture.

    Args:
        fitted: The fit.
        path: New file, ``.png`` or ``.svg``.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    save_figure(lambda: draw(fitted), path)


def draw(fitted: Fitted) -> "Figure":
    """Return a fit's figure, 1200 by 1000 pixels at 120 dots an inch."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    was = fitted.rig_file.rig.flow_sensor
    rig = (fitted.new or fitted.rig_file).rig
    value = {n.found.key: n.found.value for n in fitted.numbers}
    fit = _Sensor(
        _or(value.get("flow_sensor.transport_delay"), was.delay_s),
        _or(value.get("flow_sensor.lag"), was.lag_s),
        _or(value.get("flow_sensor.gain"), 1.0),
    )
    spray = spraying([*chain.from_iterable(log.series for log in fitted.logs)], rig)
    used = np.array([not pull.left_out for pull in fitted.identified.pulls])
    if len(used) == len(spray.pulls):
        spray = spray.only(used)
    figure = Figure(figsize=(SIZE_PX[0] / DPI, SIZE_PX[1] / DPI))
    FigureCanvasAgg(figure)
    names = ", ".join(log.name for log in fitted.logs)
    figure.suptitle(plain(f"{rig.name}: {names}")[:90], y=0.985, fontsize=13, fontweight="bold")
    grid = figure.add_gridspec(
        3, 3, left=0.085, right=0.975, top=0.93, bottom=0.065, hspace=0.42, wspace=0.32,
        height_ratios=(2.2, 1.5, 1.0),
    )  # fmt: skip
    model = fit.reads(spray)
    _one_pull(figure.add_subplot(grid[0, :]), spray, model, _Sensor(was.delay_s, was.lag_s, 1.0))
    _left_over(figure.add_subplot(grid[1, :]), spray, model, rig.flow_sensor)
    uncertain = (
        ("delay, ms", "flow_sensor.transport_delay", 1e3, was.delay_s, was.delay_within_s),
        ("lag, ms", "flow_sensor.lag", 1e3, was.lag_s, was.lag_within_s),
        ("gain", "flow_sensor.gain", 1.0, 1.0, was.gain_within),
    )
    for place, (name, key, per, middle, within) in enumerate(uncertain):
        axis = figure.add_subplot(grid[2, place])
        _still_uncertain(axis, fitted, key, per, (per * (middle - within), per * (middle + within)))
        axis.set_xlabel(name, fontsize=8.5)
    for axis in figure.axes:
        axis.tick_params(labelsize=8)
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
    return figure


def _or(value: float | None, other: float) -> float:
    return other if value is None else value


def _one_pull(axis: "Axes", spray: Spraying, model: Any, was: _Sensor) -> None:
    """Draw the longest pull: command, reading, the fit and what the rig as it was expected."""
    rows = np.bincount(spray.pull[spray.seen], minlength=len(spray.pulls))
    here = spray.pull == int(np.argmax(rows))
    pull = spray.pulls[int(np.argmax(rows))]
    time_s = spray.t_s[here]
    time_s = time_s - time_s[np.argmax(spray.command[here] > 0.0)]
    axis.plot(time_s, spray.command[here], color=_FAINT, ls="--", lw=0.9, label="commanded")
    read = np.isfinite(spray.reading[here])
    axis.plot(
        time_s[read], spray.reading[here][read], ".", color=_BLUE, ms=2.5, label="flow as read"
    )
    axis.plot(time_s, model[here], color=INK, lw=1.2, label="the fit")
    axis.plot(
        time_s, was.reads(spray)[here], color=_RED, lw=1.0, ls=(0, (5, 2)), label="rig as it was"
    )
    axis.set_xlim(max(float(time_s[0]), -0.5), float(time_s[-1]))
    axis.set_ylim(top=1.25 * float(np.nanmax(np.fmax(spray.reading[here], spray.command[here]))))
    axis.set_title(f"one pull, the longest, from {pull.begins_s:z.1f} s on", fontsize=9, loc="left")
    axis.set_xlabel("time since spray was first asked for, s", fontsize=8.5)
    axis.set_ylabel("flow, mL/min", fontsize=8.5)
    axis.legend(loc="upper right", ncols=4, fontsize=7.5, edgecolor="none")


def _left_over(axis: "Axes", spray: Spraying, model: Any, sensor: FlowSensor) -> None:
    """Draw what the fit leaves of each reading, as a share of it, in all pulls."""
    use = spray.seen & (model > _LEAST_SHARE * float(model.max()))
    pulls, place = np.unique(spray.pull, return_inverse=True)
    asked = spray.command > 0.0
    begins_s = np.array([spray.t_s[(spray.pull == i) & asked][0] for i in pulls])
    since_s = spray.t_s[use] - begins_s[place[use]]
    off_pct = 100.0 * (spray.reading[use] / model[use] - 1.0)
    each = max(len(off_pct) // MOST_DOTS, 1)
    axis.plot(since_s[::each], off_pct[::each], ".", color=_BLUE, ms=1.8, alpha=0.6)
    noise_pct = 100.0 * sensor.noise
    axis.axhspan(
        -2.0 * noise_pct, 2.0 * noise_pct, color=_BAND, zorder=0.1, lw=0.0,
        label=f"twice the new rig's noise of {noise_pct:z.3g} %",
    )  # fmt: skip
    axis.axhline(0.0, color=INK, lw=0.8)
    reach = max(6.0 * noise_pct, float(np.quantile(np.abs(off_pct), 0.98)))
    axis.set_ylim(-reach, reach)
    axis.set_title("what the fit leaves of the reading, all pulls used", fontsize=9, loc="left")
    axis.set_xlabel("time since spray was first asked for, s", fontsize=8.5)
    axis.set_ylabel("off, %", fontsize=8.5)
    axis.legend(loc="upper right", fontsize=7.5, edgecolor="none")


def _still_uncertain(
    axis: "Axes", fitted: Fitted, key: str, per: float, allowed: tuple[float, float]
) -> None:
    """Draw what the rig allowed for, and the interval of the fit within it."""
    found = fitted.identified.numbers.get(key)
    axis.barh(1.0, allowed[1] - allowed[0], left=allowed[0], height=0.55, color=_ALLOWED)
    ends = [*allowed]
    word = "not enough in the log"
    if found is not None and found.value is not None:
        word = "fit, no interval"
        axis.plot(per * found.value, 0.0, "|", color=INK, ms=14)
        ends.append(per * found.value)
        if found.low is not None and found.high is not None:
            word = "fit, 90 %"
            low, high = per * found.low, per * found.high
            axis.barh(0.0, high - low, left=low, height=0.55, color=_BLUE)
            ends += [low, high]
    room = 0.08 * (max(ends) - min(ends))
    axis.set_xlim(min(ends) - room, max(ends) + room)
    axis.set_ylim(-0.6, 1.6)
    axis.set_yticks([0.0, 1.0], [word, "rig as it was"], fontsize=7.5)
    axis.tick_params(axis="y", length=0)
